"""A program: capture one board after the other into a store until it is told to end.

argv: STORE KEYS SEED. In KEYS is a private key for each board, named as the board. Ends when its
standard input does, and prints how many captures it took.
"""

from __future__ import annotations

import os
import random
import select
import sys
from contextlib import suppress
from pathlib import Path

from holdstill.errors import BusyError
from holdstill.keeper import store as stores
from holdstill.system.clocks import SystemClock
from support import signed_store
from support.keeping import FakeClock, QuickDisk

AGED = 1e9
"""Unix time that contents are dated to, so that the next collection may take them."""


def files(chance: random.Random) -> dict[bytes, bytes]:
    """Return files of which most are in other captures, too, and some in none."""
    shared = {b"usr/%d" % n: b"shared %d" % n for n in chance.sample(range(60), 20)}
    return shared | {b"srv/%d" % n: chance.randbytes(2000) for n in range(10)}


def main() -> None:
    root, keys, chance = Path(sys.argv[1]), Path(sys.argv[2]), random.Random(sys.argv[3])  # noqa: S311
    held, taken = stores.open_store(root, disk=QuickDisk()), 0
    boards = sorted(path.stem for path in keys.glob("*.pub"))
    while not select.select([sys.stdin], [], [], chance.random())[0]:
        board = boards[taken % len(boards)]
        clock = FakeClock(SystemClock().now())
        try:
            signed_store.capture(held, board, keys / board, files(chance), clock=clock)
        except BusyError:  # it is being thinned at this moment
            continue
        for content in held.contents.all():
            with suppress(FileNotFoundError):  # thinned meanwhile
                os.utime(content.path, times=(AGED, AGED))
        taken += 1
    sys.stdout.write(f"{taken}\n")


if __name__ == "__main__":
    main()
