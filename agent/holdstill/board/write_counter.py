"""Tells whether somebody wrote to a partition: by the kernel's own count of sectors.

What nobody has mounted can still be written to: by a program that updates the spare slot, or by
what has the partition inside itself.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import files

if TYPE_CHECKING:
    from holdstill.board.layout import BoardPart

_SYS = Path("/sys/dev/block")
_WRITTEN, _DISCARDED = slice(6, 7), slice(13, 14)
"""Places in `stat` of the numbers of sectors (Linux Documentation/block/stat.rst); kernels before
4.18 count no discarded ones."""


class WriteCounter:
    """What has been written to a partition since this was made."""

    def __init__(self, part: BoardPart) -> None:
        """Start to count."""
        self._device = part.device
        self.start = self._read()

    @property
    def has_grown(self) -> bool:
        """Whether anything was written; False for a card image, which has no such count."""
        return self._read() != self.start

    def _read(self) -> str:
        """Return the count; "" where there is none."""
        try:
            number = self._device.stat().st_rdev
            with files.opened(self._device) as handle:
                os.fsync(handle)  # what was written and is still in memory was not counted yet
            place = _SYS / f"{os.major(number)}:{os.minor(number)}" / "stat"
            words = place.read_text(encoding="ascii").split()
        except OSError:
            return ""
        return " ".join(words[_WRITTEN] + words[_DISCARDED])
