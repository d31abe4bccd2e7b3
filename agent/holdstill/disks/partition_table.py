"""Partition tables, read from raw bytes: MBR with its chain of logical partitions, and GPT.

Layout: UEFI Specification 2.10, 5.2 and 5.3. What is accepted, and the order of the checks,
follow Linux block/partitions/msdos.c and efi.c: the board's kernel understood the same bytes.
Nothing here is shared with the tool that writes tables, so that it checks that independently.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model.layout import Disk, Partition, TableLabel
from holdstill.model.sizes import SECTOR, align_up

if TYPE_CHECKING:
    from holdstill.system.byte_source import ByteSource

from holdstill.disks.gpt import ENTRY_SIZE, read_gpt, read_header
from holdstill.disks.mbr import (
    BOOT_CODE,
    REACH,
    parse_records,
    read_mbr,
    read_sector,
    refuse_hybrid,
)

_PROTECTIVE = 0xEE
_ENTRIES_USUAL = 128


def read(source: ByteSource, *, sector_size: int = SECTOR) -> Disk:
    """Read the partition table of a whole disk.

    A disk without a table whose first sector begins a file system gives label NONE and one
    partition, number 1, that is the whole disk.

    Raises:
        LayoutError: no table and no file system, or a table that cannot be understood or rebuilt.
    """
    records = parse_records(read_sector(source, 0, sector_size))
    if any(record.type == _PROTECTIVE for record in records or ()):
        refuse_hybrid(records or [])
        return read_gpt(source, sector_size)
    if probe.table_label(source) is TableLabel.NONE:
        everything = Partition(number=1, start=0, size=source.size // sector_size, type="")
        return Disk(
            size=source.size,
            sector_size=sector_size,
            label=TableLabel.NONE,
            partitions=(everything,),
        )
    if records is None:
        raise LayoutError(
            "no partition table, and no file system on the whole disk either",
            hint="check that this is the disk that the board boots from",
        )
    return read_mbr(source, sector_size, records)


def gap_ranges(disk: Disk) -> list[tuple[int, int]]:
    """Return (start, end) in bytes of the area before the first partition that is not the table.

    The boot code of the first sector is the first range; the last one ends at the first
    partition, or at REACH if that begins later.
    """
    if disk.label is TableLabel.NONE:
        return []
    step = disk.sector_size
    first = min((partition.start for partition in disk.partitions), default=disk.size // step)
    ranges = [(0, BOOT_CODE)]
    table_end = step
    if disk.label is TableLabel.GPT:
        entries = disk.entries_lba * step or 2 * step
        ranges.append((2 * step, entries))
        count = disk.table_length or _ENTRIES_USUAL
        table_end = entries + align_up(count * ENTRY_SIZE, step)
    ranges.append((table_end, min(first * step, REACH)))
    return [(start, end) for start, end in ranges if start < end]


def warnings(source: ByteSource, *, sector_size: int = SECTOR) -> tuple[str, ...]:
    """Return what is wrong with a readable table: one copy of a GPT, or both ends.

    Raises:
        LayoutError: it cannot be read.
    """
    disk = read(source, sector_size=sector_size)
    if disk.label is not TableLabel.GPT:
        return ()
    last = source.size // sector_size - 1
    try:
        primary = read_header(source, 1, sector_size)
    except LayoutError as error:
        return (f"the first copy of the GPT is unusable: {error}",)
    found = []
    if primary.alternate != last:
        found.append(
            f"the second copy of the GPT is at sector {primary.alternate}, not at the end ({last})"
        )
    try:
        backup = read_header(source, min(primary.alternate, last), sector_size)
    except LayoutError as error:
        return (*found, f"the second copy of the GPT is unusable: {error}")
    if primary.common != backup.common:
        found.append("the two copies of the GPT differ")
    return tuple(found)
