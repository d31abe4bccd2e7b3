"""A program that keeps services quiet for ever, to be killed.

    quieter.py JOURNAL SERVICES NAME...

Each service is a file in the directory SERVICES: it is there while the service runs. It says
"quiet" on standard output when all are.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from holdstill.board import hooks, undo_log
from holdstill.model.settings import Hook, HookHow
from holdstill.system.clocks import SystemClock
from holdstill.system.time_limited import BoundedRunner


def main() -> None:
    undos, services, names = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3:]
    some = [
        Hook(
            name=name,
            how=HookHow.COMMAND,
            quiesce=("/bin/rm", str(services / name)),
            resume=("/bin/touch", str(services / name)),
        )
        for name in names
    ]
    with (
        undo_log.opened(undos) as mine,
        hooks.quiet(some, BoundedRunner(), SystemClock(), mine),
    ):
        os.write(1, b"quiet\n")
        os.read(0, 1)


main()
