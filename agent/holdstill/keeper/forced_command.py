"""What a forced command may contain: pure; anything that is not listed is refused.

sshd passes on what the client asked to run (SSH_ORIGINAL_COMMAND). It is never given to a
shell and never started as it is: it is split by a strict grammar, understood, and a command of
our own command is built, from what was understood only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from holdstill.errors import SecurityError

CONTROL = "holdstill-control"
"""What a board asks for to get the control channel."""

_WORD = re.compile(r"[A-Za-z0-9._/=-]{1,200}")
_WORDS_MAX = 16
_CLUSTER = re.compile(r"-([A-Za-z]*)e\.([A-Za-z.]{0,32})")
_LETTERS = frozenset("dISz")
"""--dirs (one flat folder), --ignore-times, --sparse, --compress: what transport.bulk uses."""
_LONG = re.compile(
    r"--inplace|--partial|--no-W|--stats|--timeout=[1-9][0-9]{0,2}|-B[1-9][0-9]{2,5}"
)
_INCOMING = re.compile(r"incoming/([a-z0-9]{8,32})/(contents|attachments)/?")
_OUTGOING = re.compile(r"outgoing/([0-9a-f]{16})/?")
_CAPTURE_FILE = re.compile(
    r"captures/(\d{6,9}-\d{8}T\d{6}Z)/"
    r"(manifest\.yaml|manifest\.yaml\.sig|index\.sqlite|gap\.bin|raw-[1-9][0-9]{0,3}\.bin)",
    re.ASCII,
)


@dataclass(frozen=True)
class ControlRequest:
    """The client wants to call methods."""


@dataclass(frozen=True)
class ReceiveRequest:
    """The client wants to send files with rsync.

    Attributes:
        options: rsync's options, in our own writing.
        run, area: the place in the board's incoming folder.
    """

    options: tuple[str, ...]
    run: str
    area: str


@dataclass(frozen=True)
class Fetch:
    """The client wants to fetch files with rsync.

    Attributes:
        folder: a directory made for this fetch; "" for a file of a capture.
        capture, name: a capture's file.
    """

    options: tuple[str, ...]
    folder: str = ""
    capture: str = ""
    name: str = ""


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
        folder, file = _OUTGOING.fullmatch(path), _CAPTURE_FILE.fullmatch(path)
        if folder is not None:
            return Fetch(options, folder=folder[1])
        if file is not None:
            return Fetch(options, capture=file[1], name=file[2])
        raise SecurityError(f"{path!r} is no place to fetch from")
    if words[:2] == ["rsync", "--server"]:
        options, path = _rsync(words[2:])
        match = _INCOMING.fullmatch(path)
        if match is None:
            raise SecurityError(f"{path!r} is no place to send to")
        if "--inplace" not in options:
            raise SecurityError("rsync without --inplace: a cut link would lose what was sent")
        return ReceiveRequest(options, match[1], match[2])
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
    letters = "".join(sorted(set(match[1])))
    return (f"-{letters}e.{match[2]}", *options), words[-1]
