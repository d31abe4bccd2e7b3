"""Disks as the block trace sees them: which one a partition is on, and what sysfs says of it."""

from __future__ import annotations

import os
from enum import Enum
from pathlib import Path
from typing import NamedTuple

from holdstill.board.written_blocks import SECTOR

SYSFS = Path("/sys")
_MINOR_BITS = 20
"""Of the kernel's own device numbers (linux/kdev_t.h)."""
_WRITTEN, _DISCARDED = 6, 13
"""Fields of /sys/block/D/stat, from 0: sectors (Documentation/block/stat.rst)."""


class NoTrace(Enum):
    """Why a disk's writes cannot be, or were not, told by the block trace."""

    NO_TRACEFS = "this kernel has no tracefs"
    NO_EVENT = "this kernel has no trace event for completed block requests"
    REFUSED = "the kernel refuses the trace: it is locked down, or this is not root"
    STACKED = "the device is made of others (dm, md): its writes are theirs"
    NOT_REQUEST_BASED = "the device has no request queue, so nothing traces its writes"
    NO_COUNT = "the disk does not count its sectors (queue/iostats is 0)"
    LOST = "the kernel dropped events of the trace"
    UNCOUNTED = "the disk wrote more than was traced"
    SWITCHED_OFF = "somebody switched the trace off"
    UNREADABLE = "the trace could not be read"


class Untraced(NamedTuple):
    """An answer: that the trace does not tell, and why."""

    why: NoTrace
    detail: str = ""

    def __str__(self) -> str:
        return f"{self.why.value} ({self.detail})" if self.detail else self.why.value


class Disk(NamedTuple):
    """A whole disk, by the kernel's numbers."""

    major: int
    minor: int

    @property
    def in_kernel(self) -> int:
        """Its number as the kernel's events have it."""
        return self.major << _MINOR_BITS | self.minor

    def directory(self, sysfs: Path = SYSFS) -> Path:
        """Return its directory in sysfs."""
        return sysfs / f"dev/block/{self.major}:{self.minor}"


class Place(NamedTuple):
    """Where a block device is: its whole disk, and the byte there at which it begins."""

    disk: Disk
    first_byte: int


def place_of(device: int, sysfs: Path = SYSFS) -> Place:
    """Return the disk of a file system's or a partition's device number (st_dev, st_rdev).

    Raises:
        OSError: ENOENT: no block device has this number, as with btrfs and tmpfs.
    """
    found = Disk(os.major(device), os.minor(device)).directory(sysfs).resolve(strict=True)
    if not (found / "partition").exists():
        return Place(_numbered(found), 0)
    start = int((found / "start").read_bytes())
    return Place(_numbered(found.parent), start * SECTOR)


def _numbered(directory: Path) -> Disk:
    major, _, minor = (directory / "dev").read_text(encoding="ascii").partition(":")
    return Disk(int(major), int(minor))


def why_untraceable(disk: Disk, sysfs: Path = SYSFS) -> Untraced | None:
    """Tell what keeps a disk from being traced and counted; None if nothing does."""
    found = disk.directory(sysfs)
    name = found.resolve().name
    if (found / "dm").exists() or (found / "md").exists():
        return Untraced(NoTrace.STACKED, name)
    if not (found / "mq").exists():
        return Untraced(NoTrace.NOT_REQUEST_BASED, name)
    if (found / "queue/iostats").read_bytes().strip() == b"0":
        return Untraced(NoTrace.NO_COUNT, name)
    return None


def size_of(disk: Disk, sysfs: Path = SYSFS) -> int:
    """Return the bytes of a disk."""
    return int((disk.directory(sysfs) / "size").read_bytes()) * SECTOR


def parse_changed_sectors(stat: bytes) -> int:
    """Return the sectors written and discarded by a disk's `stat`; discards from 4.18 on."""
    fields = stat.split()
    return int(fields[_WRITTEN]) + sum(map(int, fields[_DISCARDED : _DISCARDED + 1]))
