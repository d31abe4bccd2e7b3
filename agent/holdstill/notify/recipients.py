"""Reaching people by Apprise, in a process of its own.

Apprise is heavy for a small board, and what it talks to may hang. So the program
`holdstill.notify.apprise_child` loads it, reads the addresses from its standard input, and ends.
It is not started at all while there are no addresses.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
import sys
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import CommandError
from holdstill.model.nightly_state import MessageKind
from holdstill.notify import apprise_child
from holdstill.notify.apprise_child import SendRequest
from holdstill.system import files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.nightly_state import Message
    from holdstill.system.process import Runner

_LIMIT = 64 << 10
_ADDRESS = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://.+")
"""Scheme and the rest (RFC 3986, 3.1); every address that Apprise takes has two slashes."""
_TIMEOUT = 60.0
_NUMBERS_MOST = 10


def fingerprint(url: str) -> str:
    """Return a fingerprint of an address, for places where it must not appear itself."""
    return hashlib.sha256(url.encode()).hexdigest()[:12]


class AppriseRecipients:
    """The recipients in the file of addresses."""

    def __init__(self, urls_file: Path, runner: Runner) -> None:
        self._file = urls_file
        self._runner = runner

    def names(self) -> tuple[str, ...]:
        """Return the fingerprints of all addresses; none without a file."""
        return tuple(self._addresses())

    def complaint(self) -> str:
        """Return what is wrong with the file of addresses, "" for nothing."""
        try:
            mode = self._file.stat().st_mode
            bad = [number for number, line in self._lines() if not _ADDRESS.fullmatch(line)]
        except FileNotFoundError:
            return ""
        except (OSError, UnicodeDecodeError) as error:
            # The text of a decoding error quotes what it could not decode: a secret.
            reason = error.strerror or "" if isinstance(error, OSError) else "it is not UTF-8"
            return f"{self._file} cannot be read, so nobody is told anything: {reason}"
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            return f"others may read the addresses in {self._file}: chmod 0600 {self._file}"
        if bad:
            numbers = ", ".join(map(str, bad[:_NUMBERS_MOST]))
            which = f"line {numbers} is" if len(bad) == 1 else f"lines {numbers} are"
            return f"{self._file}: {which} no address (such as mailto://...): nobody is told there"
        return ""

    def places(self) -> dict[str, str]:
        """Return for each fingerprint where its address is and its kind: no secrets."""
        return {
            fingerprint(line): f"line {number}, {match[1]}://"
            for number, line in self._lines()
            if (match := _ADDRESS.fullmatch(line))
        }

    def send(self, message: Message) -> tuple[str, ...]:
        """Send a message to its recipients; return the fingerprints of those who got it."""
        known = self._addresses()
        return tuple(
            who for who in message.to if who in known and self._reach(known[who], message)
        )

    def _reach(self, url: str, message: Message) -> bool:
        is_bad = message.kind in {MessageKind.FAILURE, MessageKind.SILENCE, MessageKind.ATTENTION}
        order = SendRequest(url=url, title=message.title, body=message.body, is_bad=is_bad)
        # Arguments show in the list of processes; an address must not be among them.
        speak = Command.of(sys.executable, "-B", "-m", apprise_child.__name__, timeout=_TIMEOUT)
        try:
            self._runner.run(speak, stdin=msgspec.json.encode(order))
        except CommandError:
            return False
        return True

    def _addresses(self) -> dict[str, str]:
        return {fingerprint(line): line for _, line in self._lines() if _ADDRESS.fullmatch(line)}

    def _lines(self) -> list[tuple[int, str]]:
        """Return the lines that are to be addresses, with their numbers; none without a file."""
        try:
            with files.opened(self._file, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK) as handle:
                text = os.read(handle, _LIMIT).decode()
        except FileNotFoundError:
            return []
        lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1)]
        return [(number, line) for number, line in lines if line and not line.startswith("#")]
