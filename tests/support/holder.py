"""A program that holds file systems still, and can be told to die at a named step.

    holder.py STEP JOURNAL MOUNT...

It tells the moment of its death, on the monotonic clock, on standard output. The step "wait"
holds until standard input ends; "hang" holds for ever. Nothing is faked: the steps are those of
the real agent, seen from between it and the kernel.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

from holdstill.board import freeze, guard, mounts
from holdstill.system import ioctl
from holdstill.system.clocks import SystemClock

CEILING = 5.0


@dataclass
class Steps:
    """The kernel, with a word before and after each call."""

    wanted: str
    names: dict[int, str]

    def reach(self, step: str) -> None:
        if step != self.wanted:
            return
        os.write(1, b"%r\n" % time.monotonic())
        os.kill(os.getpid(), signal.SIGKILL)

    def sync_file_system(self, handle: int) -> None:
        ioctl.sync_file_system(handle)
        self.reach(f"synced {self.names[handle]}")

    def freeze(self, mount: int) -> None:
        self.reach(f"before freezing {self.names[mount]}")
        ioctl.freeze(mount)
        self.reach(f"after freezing {self.names[mount]}")

    def thaw(self, mount: int) -> None:
        self.reach(f"before thawing {self.names[mount]}")
        ioctl.thaw(mount)
        self.reach(f"after thawing {self.names[mount]}")


def hold(step: str) -> None:
    if step == "wait":
        os.write(1, b"holding\n")
        os.read(0, 1)
    if step == "hang":
        os.write(1, b"holding\n")
        while True:
            time.sleep(60)


def main() -> None:
    step, journal, points = sys.argv[1], Path(sys.argv[2]), sys.argv[3:]
    all_mounts = mounts.read_mounts()
    wanted = [mount for mount in all_mounts if str(mount.point) in points]
    with freeze.hold_mounts(wanted, all_mounts=all_mounts) as held:
        steps = Steps(step, {h.handle: Path(str(h)).name for h in held})
        with guard.armed(
            held, seconds=CEILING, clock=SystemClock(), marks_in=journal
        ) as real_guard:
            steps.reach("armed")
            with freeze.frozen(replace(real_guard, kernel=steps)):
                steps.reach("inside")
                hold(step)
            steps.reach("after the pause")


main()
