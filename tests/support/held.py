"""Frozen file systems in root tests: asking whether one is, and running the holder program."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import freeze, mounts
from support import loop

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.guard import HeldMount

HOLDER = Path(__file__).with_name("holder.py")
FIFREEZE = 0xC0045877
"""_IOWR('X', 119, int), linux/fs.h."""


def is_frozen(point: Path) -> bool:
    """Tell whether a file system is frozen, without waiting for it: a second freeze is refused."""
    mount = os.open(point, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.ioctl(mount, FIFREEZE, 0)
    except OSError as error:
        if error.errno != errno.EBUSY:
            raise
        return True
    finally:
        os.close(mount)
    assert loop.thaw(point)
    return False


@contextmanager
def holding(*points: Path) -> Iterator[tuple[HeldMount, ...]]:
    """Hold mount points open in freezing order."""
    all_mounts = mounts.read_mounts()
    wanted = [mount for mount in all_mounts if Path(str(mount.point)) in points]
    with freeze.hold_mounts(wanted, all_mounts=all_mounts) as held:
        yield held


def write_moment(file: Path) -> float:
    """Write to a file, however long that takes; return when it was done."""
    handle = os.open(file, os.O_WRONLY | os.O_CREAT, 0o600)
    os.write(handle, b"on")
    os.close(handle)
    return time.monotonic()


@dataclass
class Holder:
    """A process that holds file systems still until it dies."""

    process: subprocess.Popen[bytes]

    def say(self) -> str:
        """Return the next line it says."""
        assert self.process.stdout is not None
        return self.process.stdout.readline().decode().strip()

    def guards(self) -> list[int]:
        """Return its child processes: there is only the guard."""
        task = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return [int(pid) for pid in task.read_text(encoding="ascii").split()]

    def died_at(self) -> float:
        """Wait for a holder that kills itself; return the moment when it did."""
        moment = float(self.say())
        assert self.process.wait(timeout=10) == -9
        return moment


@contextmanager
def holder(step: str, journal: Path, *points: Path) -> Iterator[Holder]:
    """Run the holder program; it is dead at the end of the block."""
    words = [sys.executable, os.fspath(HOLDER), step, os.fspath(journal), *map(os.fspath, points)]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
    ) as process:
        try:
            yield Holder(process)
        finally:
            process.kill()
