"""A program: take a capture into a store, and kill itself at the N-th call to the disk.

argv: STORE NUMBER. Without a fault it prints the capture's name.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from holdstill.keeper import store as stores
from support import keeping
from support.faulty import FaultyDisk
from support.keeping import Board, FakeClock


class DeadlyDisk(FaultyDisk):
    """Kills this process before its N-th call; what was called before was really done."""

    def __init__(self, at: int) -> None:
        super().__init__()
        self._at = at

    def step(self, what: str, path: Path) -> None:
        super().step(what, path)
        if self.calls == self._at:
            os.kill(os.getpid(), signal.SIGKILL)


def main() -> None:
    root, number = Path(sys.argv[1]), int(sys.argv[2])
    clock = FakeClock()
    clock.advance(86_400 * 2)
    keeper = keeping.keeper_of(stores.open_store(root, disk=DeadlyDisk(number)), clock=clock)
    files = {b"usr/a": b"A" * 40_000 + b"longer", b"srv/new": b"N", b"srv/c": b"C"}
    sys.stdout.write(Board(keeper, clock=clock, files=files).capture().name)


if __name__ == "__main__":
    main()
