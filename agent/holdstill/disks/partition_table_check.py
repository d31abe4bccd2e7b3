"""The read-back of a partition table that was just written, by the reader, not by its writer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.disks import partition_table
from holdstill.disks.partition_table_writer import unfinished
from holdstill.errors import LayoutError
from holdstill.model.layout import TableLabel
from holdstill.system import byte_source

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.layout import Disk


def check(target: Path, disk: Disk) -> None:
    """Check that a file or device has the table of disk; a disk without a table has none.

    Raises:
        TargetFailedError: the table cannot be read, or is another one.
    """
    if disk.label is TableLabel.NONE:
        return
    try:
        with byte_source.opened(target) as source:
            found = partition_table.read(source, sector_size=disk.sector_size)
    except LayoutError as error:
        raise unfinished(f"the partition table cannot be read back: {error}") from error
    if _essence(found) != _essence(disk.by_slot()):
        raise unfinished(
            f"the partition table reads back as {found.partitions}, not {disk.partitions}"
        )


def _essence(disk: Disk) -> tuple[object, ...]:
    """Return what must be the same however a value is spelled."""
    partitions = sorted(
        (p.number, p.start, p.size, p.type.upper(), p.uuid.upper(), p.name, p.attrs, p.bootable)
        for p in disk.partitions
    )
    return disk.label, disk.id.upper(), disk.entries_lba, partitions
