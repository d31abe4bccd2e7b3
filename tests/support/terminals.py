"""The product at a terminal, and a person who answers it."""

from __future__ import annotations

import os
import select
import subprocess
import sys
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
