"""A program: trace a disk until it is killed. argv: MAJOR MINOR."""

from __future__ import annotations

import signal
import sys

from holdstill.board import block_trace
from holdstill.board.traced_disk import Disk
from holdstill.system.clocks import SystemClock


def main() -> None:
    disk = Disk(int(sys.argv[1]), int(sys.argv[2]))
    with block_trace.started([disk], SystemClock()) as trace:
        sys.stdout.write(f"{type(trace).__name__}\n")
        sys.stdout.flush()
        signal.pause()


if __name__ == "__main__":
    main()
