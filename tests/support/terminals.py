"""The product at a terminal, and a person who answers it."""

from __future__ import annotations

import fcntl
import os
import re
import select
import struct
import subprocess
import sys
import termios
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


class Terminal:
    """A person at a terminal: waits for words, then types."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._heard = 0
        self.said = ""
        self.questions = 0

    def expect(self, words: str, *, seconds: float = 30) -> None:
        """Wait until the program has said these words, behind those waited for before."""
        deadline = time.monotonic() + seconds
        while (found := self.said.find(words, self._heard)) < 0:
            left = deadline - time.monotonic()
            assert left > 0, f"waited for {words!r}; so far:\n{self.said}"
            self._read(left)
        self._heard = found + len(words)

    def _read(self, seconds: float) -> bool:
        ready, _, _ = select.select([self._handle], [], [], seconds)
        try:
            piece = os.read(self._handle, 4096) if ready else b""
        except OSError:  # EIO: the other side is closed
            return False
        self.said += piece.decode(errors="replace").replace("\r\n", "\n")
        return bool(piece)

    def answer(self, question: str, text: str) -> None:
        """Wait for a question and answer it."""
        self.expect(question)
        self.questions += 1
        os.write(self._handle, text.encode() + b"\n")

    def type(self, keys: bytes) -> None:
        """Press keys."""
        os.write(self._handle, keys)

    def to_the_end(self) -> None:
        """Read whatever is left."""
        while self._read(30):
            pass


@contextmanager
def at_a_terminal(*words: object) -> Iterator[tuple[Terminal, subprocess.Popen[bytes]]]:
    """Hold a command of the product, and whoever sits before it."""
    ours, theirs = os.openpty()
    command = [sys.executable, "-m", "holdstill", *map(str, words)]
    with subprocess.Popen(
        command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    ) as process:
        os.close(theirs)
        try:
            yield Terminal(ours), process
        finally:
            process.kill()
            os.close(ours)


def interrupt(terminal: Terminal) -> None:
    """Type Ctrl-C: whatever runs in the foreground there gets SIGINT (termios(3), VINTR)."""
    terminal.type(b"\x03")


@contextmanager
def in_the_foreground(*words: object) -> Iterator[tuple[Terminal, subprocess.Popen[bytes]]]:
    """Hold a command whose controlling terminal this is, so that keys reach it as signals."""
    ours, theirs = os.openpty()
    command = ["setsid", "--ctty", sys.executable, "-m", "holdstill", *map(str, words)]
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs) as process:
        os.close(theirs)
        try:
            yield Terminal(ours), process
        finally:
            process.kill()
            os.close(ours)


Size = tuple[int, int]
"""Columns and rows."""


def screen(*words: object, size: Size, is_error: bool = False) -> str:
    """Return what a command shows on a terminal of a size, without colours; or its errors."""
    ours, theirs = os.openpty()
    width, height = size
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))
    command = [sys.executable, "-m", "holdstill", *map(str, words)]
    unset = {name: value for name, value in os.environ.items() if name not in {"COLUMNS", "LINES"}}
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL if is_error else theirs,
        stderr=theirs if is_error else subprocess.DEVNULL,
        env=unset | {"TERM": "xterm", "NO_COLOR": "1"},
    ):  # fmt: skip
        os.close(theirs)
        shown = Terminal(ours)
        shown.to_the_end()
    os.close(ours)
    return re.sub(r"\x1b\[[0-9;]*m", "", shown.said)  # NO_COLOR leaves bold (ECMA-48, 8.3.117)
