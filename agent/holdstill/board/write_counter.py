"""Tells whether somebody wrote to a partition: by the kernel's own counts of sectors.

What nobody has mounted can still be written to: by a program that updates the spare slot, by what
has the partition inside itself, or through the device of the whole disk. What goes that last way
is counted for the disk alone, and may have been anywhere on it.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from holdstill.system import files

_SYS, _DISKSTATS = Path("/sys/dev/block"), Path("/proc/diskstats")
_NAME, _COUNTED = 2, (9, 16)
"""Places in a line of diskstats: the device's name, and sectors written and discarded (Linux
Documentation/admin-guide/iostats.rst); kernels before 4.18 count no discarded ones."""
_TRIES = 50
"""Other partitions of a disk are written to all the time, also while the counts are read."""


class Written(NamedTuple):
    """Sectors that were written or discarded since the disk was found.

    Attributes:
        here: through the partition's own device, or what is stacked on it.
        anywhere: through the disk's device; None if that could not be told from the others'.
    """

    here: int
    anywhere: int | None


class WriteCounter:
    """What has been written to a partition since this was made."""

    def __init__(self, device: Path) -> None:
        """Start to count; device is the partition's, or an area's of an eMMC."""
        self._device = device
        self.start = self._read()

    @property
    def has_grown(self) -> bool:
        """Whether anything was written; False for a card image, which has no such count."""
        now = self._read()
        if now is None or self.start is None:
            return False
        is_told = None not in {now.anywhere, self.start.anywhere}
        return now.here != self.start.here or (is_told and now.anywhere != self.start.anywhere)

    def _read(self) -> Written | None:
        try:
            number = self._device.stat().st_rdev
            home = (_SYS / f"{os.major(number)}:{os.minor(number)}").resolve(strict=True)
            disk = home.parent if (home / "partition").exists() else home
            for device in (self._device, Path("/dev") / disk.name.replace("!", "/")):
                _flush(device)
            return _settled(home.name, disk)
        except (OSError, KeyError):
            return None


def _flush(device: Path) -> None:
    """Have written what is still in memory, which was not counted yet."""
    with suppress(OSError), files.opened(device) as handle:
        os.fsync(handle)


def _settled(name: str, disk: Path) -> Written:
    """Read the counts until twice the same comes of them; KeyError when a device is not there."""
    parts = [entry.name for entry in disk.iterdir() if (entry / "partition").exists()]
    before = None
    for _ in range(_TRIES):
        counts = _counts()
        rest = counts[disk.name] - sum(counts[part] for part in parts)
        now = Written(counts[name], rest if parts else 0)
        if now == before:
            return now
        before = now
    return Written(_counts()[name], None)


def _counts() -> dict[str, int]:
    """Return the sectors written and discarded, by device."""
    lines = (line.split() for line in _DISKSTATS.read_text(encoding="ascii").splitlines())
    return {
        words[_NAME]: sum(int(words[place]) for place in _COUNTED if place < len(words))
        for words in lines
    }
