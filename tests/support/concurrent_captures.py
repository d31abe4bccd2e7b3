"""Many boards that capture at once through one sshd, and what the keeper takes for it."""

from __future__ import annotations

import random
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.model.names import BoardName
    from support.boathouse import Boathouse

SYSTEM, OWN = 300, 15


@dataclass(frozen=True)
class Taken:
    """One board's capture: its name, and how long it took."""

    board: str
    name: str
    seconds: float


@dataclass
class Memory:
    """The keeper's processes together, sampled.

    Attributes:
        peak: bytes; what processes share is counted once (PSS, proc(5)).
        processes: most of them at one time.
    """

    peak: int = 0
    processes: int = 0
    _over: threading.Event = field(default_factory=threading.Event)

    def sample(self) -> None:
        """Add up what is there now."""
        sizes = [size for size in map(_size, Path("/proc").glob("[0-9]*")) if size]
        self.peak = max(self.peak, sum(sizes))
        self.processes = max(self.processes, len(sizes))

    def run(self) -> None:
        """Sample until told to end."""
        while not self._over.wait(0.2):
            self.sample()

    def end(self) -> None:
        """Have the sampling end."""
        self._over.set()


def _size(process: Path) -> int:
    """Return the proportional size of a keeper's process, 0 for any other."""
    try:
        words = (process / "cmdline").read_bytes().split(b"\0")
        is_serving = {b"serve", b"sessions"} & {*words} or words[:2] == [b"rsync", b"--server"]
        if not is_serving:
            return 0
        lines = (process / "smaps_rollup").read_text("ascii").splitlines()
    except OSError:
        return 0
    return sum(int(line.split()[1]) << 10 for line in lines if line.startswith("Pss:"))


@contextmanager
def watched() -> Iterator[Memory]:
    """Sample the keeper's memory for the block."""
    memory = Memory()
    thread = threading.Thread(target=memory.run)
    thread.start()
    try:
        yield memory
    finally:
        memory.end()
        thread.join()


def files_of(number: int) -> dict[bytes, bytes]:
    """Return a board's files: most are every board's, some its own."""
    system = {b"usr/%d" % n: _body(f"system {n}") for n in range(SYSTEM)}
    return system | {b"srv/%d" % n: _body(f"{number} {n}") for n in range(OWN)}


def _body(seed: str) -> bytes:
    source = random.Random(seed)  # noqa: S311
    return source.randbytes(source.randrange(1, 20_000))


def capture(house: Boathouse, board: BoardName, number: int) -> Taken:
    """Take one board's capture over its own connection."""
    started = time.monotonic()
    with house.keeper(board) as keeper:
        sender = house.board(keeper, board)
        sender.files = files_of(number)
        name = sender.capture().name
    return Taken(board, name, time.monotonic() - started)


def capture_at_once(house: Boathouse, boards: Sequence[BoardName]) -> list[Taken]:
    """Let all boards capture at the same moment."""
    gate = threading.Barrier(len(boards))

    def one(number: int) -> Taken:
        gate.wait()
        return capture(house, boards[number], number)

    with ThreadPoolExecutor(len(boards)) as pool:
        return list(pool.map(one, range(len(boards))))
