"""A program that takes captures as the daemon does, in one process, whenever it is told to.

argv: SETTINGS FILE. It reads lines, and answers each with a line of JSON.

    capture   takes a capture
    witness   the same; just before the first thaw FILE is read whole, and its SHA-256 is told
    blind     switches the trace off for a moment in which it writes to FILE, or to the file named
              behind it
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING

import msgspec

from holdstill.board import all_day
from holdstill.cli import scheduled_capture
from holdstill.system.clocks import SystemClock
from support import frozen_witness
from support.frozen_witness import Witness

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.board.all_day import AllDay
    from holdstill.model.estimate import Stage
    from holdstill.workflow.ports import Progress


class Taken(msgspec.Struct, frozen=True):
    """How a capture went.

    Attributes:
        hashed: bytes that were read and hashed in the hot rounds.
        how: of the root partition's large files, and why.
        frozen: SHA-256 of FILE in the freeze; "" without a witness.
        files: that are followed on.
        spooled: bytes that the pause took to memory.
    """

    hashed: int
    how: tuple[str, str]
    frozen: str
    files: int
    spooled: int


@dataclass
class Captures:
    """Talks to the program."""

    requests: IO[bytes]
    answers: IO[bytes]

    def take(self, how: str = "capture") -> Taken:
        return msgspec.json.decode(self._ask(how), type=Taken)

    def blind(self, other: Path | None = None) -> None:
        assert json.loads(self._ask(f"blind {other}" if other else "blind")) == "blind"

    def _ask(self, what: str) -> bytes:
        self.requests.write(what.encode() + b"\n")
        self.requests.flush()
        return self.answers.readline()


@contextmanager
def running(settings: Path, file: Path) -> Iterator[Captures]:
    """Have the program run for the length of the block."""
    words = [sys.executable, "-m", "support.captures_in_a_row", settings, file]
    search = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    with subprocess.Popen(
        [*map(str, words)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=search
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield Captures(process.stdin, process.stdout)
        finally:
            process.stdin.close()
            assert process.wait(timeout=60) == 0


class Silent:
    """Progress that nobody sees."""

    def expect(self, stages: Sequence[Stage]) -> None:
        """Not shown."""

    def step(self, what: str) -> None:
        """Not shown."""

    def update(self, done: int, total: int) -> None:
        """Not shown."""

    def warn(self, text: str) -> None:
        sys.stderr.write(f"{text}\n")

    @contextmanager
    def muted(self) -> Iterator[None]:
        yield


def taken(settings: Path, witness: Witness, kept: AllDay) -> Taken:
    witness.digest = ""
    progress: Progress = Silent()
    report = scheduled_capture.from_settings(settings, kept, lambda: None)(progress)
    cost = kept.cost()
    part = report.parts[1]
    return Taken(
        hashed=report.hashed_bytes,
        how=(part.large_files, part.large_files_why),
        frozen=witness.digest,
        files=cost.files if cost else 0,
        spooled=report.spool_bytes,
    )


def blind(file: str) -> str:
    frozen_witness.switch("0")
    handle = os.open(file, os.O_WRONLY | os.O_CREAT)
    os.pwrite(handle, os.urandom(5000), 3 << 20)
    os.fsync(handle)
    os.close(handle)
    frozen_witness.switch("1")
    return "blind"


def main() -> None:
    settings, file = sys.argv[1:]
    witness = Witness("/dev/null", "none", "", os.getpid())
    sys.addaudithook(witness.heard)
    with all_day.opened(SystemClock()) as kept:
        for line in sys.stdin:
            witness.file = file if line == "witness\n" else "/dev/null"
            what, _, other = line.strip().partition(" ")
            told = (
                blind(other or file) if what == "blind" else taken(Path(settings), witness, kept)
            )
            sys.stdout.buffer.write(msgspec.json.encode(told) + b"\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
