"""Answer a program's questions on a board's terminal, as a person does."""

from __future__ import annotations

import re
import selectors
import subprocess
import time
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from support.vm.machine import Machine


class Dialogue:
    """A program that is being talked to; what it says is kept."""

    def __init__(self, process: subprocess.Popen[bytes], mouth: IO[bytes], ear: IO[bytes]) -> None:
        self.process = process
        self._mouth, self._ear = mouth, ear
        self.said = ""
        self.questions: list[str] = []
        self._read = 0

    def answer(self, question: str, words: str, seconds: float = 120) -> str:
        """Wait for a question, answer it, and return what was said before it."""
        before = self.until(question, seconds)
        self.questions.append(before.rstrip().splitlines()[-1])
        self.type(words)
        return before

    def type(self, words: str) -> None:
        """Write a line."""
        self._mouth.write(words.encode() + b"\n")
        self._mouth.flush()

    def until(self, pattern: str, seconds: float) -> str:
        """Return what is said up to and with the end of a pattern."""
        deadline = time.monotonic() + seconds
        while not (found := re.search(pattern, self.said[self._read :], re.MULTILINE)):
            left = deadline - time.monotonic()
            assert left > 0, f"no {pattern!r} after {seconds} s, but:\n{self.said[-3000:]}"
            assert self._listen(left), f"it ended without {pattern!r}:\n{self.said[-3000:]}"
        start, self._read = self._read, self._read + found.end()
        return self.said[start : self._read]

    def ended(self, seconds: float) -> int:
        """Wait for the end; return how it ended."""
        deadline = time.monotonic() + seconds
        while self._listen(deadline - time.monotonic()):
            assert time.monotonic() < deadline, f"it does not end:\n{self.said[-3000:]}"
        return self.process.wait()

    def _listen(self, seconds: float) -> bool:
        """Take in what comes; tell whether more can come."""
        with selectors.DefaultSelector() as ready:
            ready.register(self._ear, selectors.EVENT_READ)
            if not ready.select(max(seconds, 0)):
                return True
        piece = self._ear.read1(65536)  # type: ignore[attr-defined]
        self.said += piece.decode(errors="replace").replace("\r\n", "\n")
        return bool(piece)


@contextmanager
def on(pier: Machine, *words: str) -> Iterator[Dialogue]:
    """Start a program on a terminal of the board's."""
    command = pier.words(*words)
    with subprocess.Popen(
        [command[0], "-tt", *command[1:]],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield Dialogue(process, process.stdin, process.stdout)
        finally:
            process.kill()
