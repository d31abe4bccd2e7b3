"""What a forced command may contain: pure; anything that is not listed is refused.

sshd passes on what the client asked to run (SSH_ORIGINAL_COMMAND). It is never given to a
shell and never started as it is: it is split by a strict grammar, understood, and a command of
our own command is built, from what was understood only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from holdstill.errors import SecurityError
from holdstill.model.protocol import FOLDERS

CONTROL = "holdstill-control"
"""What a board asks for to get the control channel."""

_WORD = re.compile(r"[A-Za-z0-9._/=-]{1,200}")
_WORDS_MAX = 16
_CLUSTER = re.compile(r"-([A-Za-z]*)e\.([A-Za-z.]{0,32})")
_LETTERS = frozenset("dISz")
"""--dirs (one flat folder), --ignore-times, --sparse, --compress: what transport.rsync uses."""
_LONG = re.compile(r"--inplace|--partial|--no-W|--stats|--timeout=[1-9][0-9]{0,2}")
TIMEOUT = "--timeout=120"
"""Seconds without a byte until our rsync gives up."""
_INCOMING = re.compile(r"incoming/([a-z0-9]{8,32})/contents-([0-9])/?")
_OUTGOING = re.compile(r"outgoing/([0-9a-f]{16})/?")


@dataclass(frozen=True)
class ControlRequest:
    """The client wants to call methods."""


@dataclass(frozen=True)
class ReceiveRequest:
    """The client wants to send contents with rsync.

    Attributes:
        options: rsync's options, in our own writing.
        run: whose place in the board's incoming folder they are for.
        folder: which of its folders.
    """

    options: tuple[str, ...]
    run: str
    folder: int


@dataclass(frozen=True)
class Fetch:
    """The client wants to fetch contents with rsync.

    Attributes:
        folder: a directory made for this fetch.
    """

    options: tuple[str, ...]
    folder: str


Wish = ControlRequest | ReceiveRequest | Fetch


def parse(original: str) -> Wish:
    """Parse the command that a client asked to run.

    Raises:
        SecurityError: it is anything but the control channel or one of our own rsync commands.
    """
    if original in {"", CONTROL}:
        return ControlRequest()
    words = original.split(" ")
    if len(words) > _WORDS_MAX or not all(_WORD.fullmatch(word) for word in words):
        raise SecurityError("the command is not one of ours")
    if words[:3] == ["rsync", "--server", "--sender"]:
        options, path = _rsync(words[3:])
        folder = _OUTGOING.fullmatch(path)
        if folder is None:
            raise SecurityError(f"{path!r} is no place to fetch from")
        return Fetch(options, folder[1])
    if words[:2] == ["rsync", "--server"]:
        options, path = _rsync(words[2:])
        match = _INCOMING.fullmatch(path)
        if match is None or int(match[2]) >= FOLDERS:
            raise SecurityError(f"{path!r} is no place to send to")
        return ReceiveRequest(options, match[1], int(match[2]))
    raise SecurityError("the command is not one of ours")


def _rsync(words: list[str]) -> tuple[tuple[str, ...], str]:
    """Check the arguments after `rsync --server`; return our own options, and the path."""
    if len(words) < 3 or words[-2] != ".":
        raise SecurityError("an rsync command without `. path` at its end")
    cluster, *options = words[:-2]
    match = _CLUSTER.fullmatch(cluster)
    if match is None or not _LETTERS.issuperset(match[1]):
        raise SecurityError(f"rsync options {cluster!r}: not among those that we use")
    for option in options:
        if _LONG.fullmatch(option) is None:
            raise SecurityError(f"rsync option {option!r}: not among those that we use")
    if not any(option.startswith("--timeout=") for option in options):
        raise SecurityError("rsync without --timeout: a dead peer would never be noticed")
    # Ours, whatever was asked for; the other end's choices are sparse, compressed, its abilities.
    chosen = "".join(letter for letter in "Sz" if letter in match[1])
    return (f"-dI{chosen}e.{match[2]}", "--inplace", "--partial", "--no-W", TIMEOUT), words[-1]
