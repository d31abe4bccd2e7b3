"""The files that processes have open, as the kernel lists them in /proc (proc(5)).

Not to be read while something is frozen: a process that waits for the thaw may hold what reading
needs.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

PROCESSES = Path("/proc")
UNDER_WAY = 60
"""Seconds for which an asynchronous write is thought to be under way at most: the cards of boards
do 20 small ones a second or more, and a thousand do not wait in one queue (nr_requests)."""


class OpenFile(NamedTuple):
    """One descriptor.

    Attributes:
        flags: of open(2).
        here: leads to the file.
        listed_inode: its number, where the kernel lists it (from Linux 5.14 on).
    """

    flags: int
    here: Path
    listed_inode: int | None

    @property
    def inode(self) -> int:
        """The file's number. OSError: it was closed meanwhile."""
        return self.here.stat().st_ino if self.listed_inode is None else self.listed_inode


def of_process(process: Path) -> Iterator[OpenFile]:
    """Yield what a process has open, given its directory. OSError: it ended."""
    for info in (process / "fdinfo").iterdir():
        with suppress(OSError):
            lines = info.read_text().splitlines()
            told = dict(line.split(":", 1) for line in lines if ":" in line)
            inode = int(told["ino"]) if "ino" in told else None
            yield OpenFile(int(told["flags"], 8), process / "fd" / info.name, inode)


def written_directly(root: int, now_ns: int, processes: Path = PROCESSES) -> set[int]:
    """Return the inodes to which asynchronous writes past the page cache may be under way.

    Such a write sets the file's times when it is submitted, and holds nothing that anybody could
    wait for until it is there: a sync does not wait for it, and whoever reads meanwhile reads old
    bytes. Only a freeze waits. It takes a file that is open with O_DIRECT for writing, and was
    changed not long ago. Not seen are files that were closed since, or that only io_uring holds.

    Args:
        root: an open directory of their file system.
        now_ns: of the clock that stamps inodes.
        processes: where they are listed.
    """
    device, since = os.fstat(root).st_dev, now_ns - UNDER_WAY * 10**9
    found: set[int] = set()
    for process in processes.iterdir():
        if process.name.isdecimal():
            with suppress(OSError):  # it ended, which waits for its writes
                for file in of_process(process):
                    if file.flags & os.O_DIRECT and file.flags & os.O_ACCMODE != os.O_RDONLY:
                        with suppress(OSError):
                            status = file.here.stat()
                            if status.st_dev == device and status.st_ctime_ns >= since:
                                found.add(status.st_ino)
    return found
