"""The boot gap: loaders that are outside every partition go back to where they were.

They come from a capture, which is untrusted: a run that reaches into the partition
table or into a partition is refused before the first byte is written.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import SecurityError
from holdstill.model.layout import TableLabel
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.model.layout import Disk

BOOT_CODE = 440
"""Bytes of the first sector that belong to boot code (UEFI Specification 5.2.1)."""
GPT_ENTRY = 128
"""Bytes of an entry, the only size that Linux accepts."""
GPT_ENTRIES = 128


class GapBytes(Protocol):
    """Bytes and their offset on the disk."""

    @property
    def offset(self) -> int:
        """Bytes from the start of the disk."""

    @property
    def data(self) -> bytes:
        """The bytes."""


def write(target: Path, runs: Sequence[GapBytes], *, disk: Disk) -> None:
    """Put the runs back; disk is the layout that the target gets.

    Raises:
        SecurityError: a run reaches into the table, a partition, or past the end.
    """
    check(runs, disk=disk)
    with files.opened(target, os.O_RDWR | os.O_NOFOLLOW) as handle:
        for run in runs:
            sparse_copy.write_all_at(handle, run.offset, run.data)


def check(runs: Sequence[GapBytes], *, disk: Disk) -> None:
    """Refuse runs that overlap what is not boot gap.

    Raises:
        SecurityError: a run reaches into the table, a partition, or past the end.
    """
    sector = disk.sector_size
    partitions = [
        (part.start * sector, part.end * sector, f"partition {part.number}")
        for part in disk.partitions
    ]
    taken = [*_table(disk), *partitions]
    for run in runs:
        start, end = run.offset, run.offset + len(run.data)
        hit = [what for first, last, what in taken if first < end and start < last]
        if start < 0 or end > disk.size or hit:
            raise SecurityError(
                f"the boot gap has bytes for {start}..{end}, which reach into "
                f"{hit[0] if hit else 'nothing that the disk has'}"
            )


def _table(disk: Disk) -> list[tuple[int, int, str]]:
    """Return the ranges (start, end, name) that hold the partition table."""
    if disk.label is TableLabel.NONE:
        return [(0, disk.size, "a disk without a partition table")]
    taken = [(BOOT_CODE, 512, "the partition table")]
    if disk.label is TableLabel.GPT:
        sector = disk.sector_size
        array = -(-(disk.table_length or GPT_ENTRIES) * GPT_ENTRY // sector)
        first = disk.entries_lba or 2
        taken.append((sector, 2 * sector, "the partition table"))
        taken.append((first * sector, (first + array) * sector, "the partition table"))
        taken.append((disk.size - (1 + array) * sector, disk.size, "the backup table"))
    return taken
