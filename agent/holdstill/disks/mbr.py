"""The MBR and its chain of logical partitions, read from raw bytes."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError
from holdstill.model.layout import Disk, Partition, TableLabel
from holdstill.model.sizes import MIB

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.system.byte_source import ByteSource


REACH = 64 * MIB
"""End of the boot gap: no boot ROM that we know of reads beyond 16 MiB."""


BOOT_CODE = 440
"""Bytes of the first sector that belong to boot code, not to the table."""


LOGICAL_MAX = 128
"""Logical partitions that we follow; sfdisk stops at 60."""


_EXTENDED = frozenset({0x05, 0x0F, 0x85})


def read_sector(source: ByteSource, lba: int, sector_size: int) -> bytes:
    """Read one sector; it must be there."""
    try:
        return source.read(lba * sector_size, sector_size)
    except EOFError as error:
        raise LayoutError(
            f"the disk ends before sector {lba} that its table needs"
            if lba
            else "it is no card and no image of one: it ends within its first sector",
            hint="name a whole card or an unpacked image of one (`ls -l`: is it empty?)",
        ) from error


@dataclass(frozen=True)
class _Record:
    """One of the four records of an MBR or of a link in the chain of logical partitions."""

    slot: int
    boot: int
    type: int
    start: int
    size: int

    @property
    def is_used(self) -> bool:
        return self.type != 0 and self.size != 0

    @property
    def is_extended(self) -> bool:
        return self.is_used and self.type in _EXTENDED

    def placed(self, *, number: int, base: int) -> Partition:
        """Return the partition, its start counted from sector base."""
        return Partition(
            number=number,
            start=base + self.start,
            size=self.size,
            type=f"{self.type:x}",
            bootable=self.boot == 0x80,
        )


def parse_records(sector: bytes) -> list[_Record] | None:
    """Parse the four records of a sector; None if it has no boot signature."""
    """Return the four records, or None when the sector is no MBR."""
    if sector[510:512] != b"\x55\xaa":
        return None
    rows = struct.iter_unpack("<B3sB3sII", sector[446:510])
    records = [
        _Record(slot, boot, kind, start, size)
        for slot, (boot, _, kind, _, start, size) in enumerate(rows, start=1)
    ]
    # Linux, too, does not treat a sector with another boot indicator as an MBR.
    return records if all(record.boot in {0, 0x80} for record in records) else None


def read_mbr(source: ByteSource, sector_size: int, records: list[_Record]) -> Disk:
    """Read an MBR with its logical partitions."""
    (signature,) = struct.unpack_from("<I", read_sector(source, 0, sector_size), 440)
    primary = [r.placed(number=r.slot, base=0) for r in records if r.is_used]
    containers = [r.placed(number=r.slot, base=0) for r in records if r.is_extended]
    if len(containers) > 1:
        raise LayoutError("the MBR has more than one extended partition: this cannot be rebuilt")
    check_places(primary, 1, source.size // sector_size)
    logical = list(_logical(source, containers[0], sector_size)) if containers else []
    return Disk(
        size=source.size,
        sector_size=sector_size,
        label=TableLabel.DOS,
        id=f"0x{signature:08x}",
        partitions=(*primary, *logical),
    )


def _logical(source: ByteSource, container: Partition, sector_size: int) -> Iterator[Partition]:
    """Follow the chain of links, each a sector with at most one partition and one further link."""
    found: list[Partition] = []
    links: set[int] = set()
    here: int | None = container.start
    while here is not None:
        if here in links or len(links) >= LOGICAL_MAX:
            raise LayoutError("the chain of logical partitions has no end")
        if not container.start <= here < container.end:
            raise LayoutError(f"the chain of logical partitions leaves its container at {here}")
        links.add(here)
        records = parse_records(read_sector(source, here, sector_size))
        if records is None and here != container.start:
            raise LayoutError(f"the chain of logical partitions is broken at sector {here}")
        records = records or []  # an extended partition that never held anything
        # The third and fourth record may hold invalid data that Linux skips, too.
        data = [r for r in records[:2] if r.is_used and not r.is_extended]
        found += [r.placed(number=5 + len(found), base=here) for r in data]
        link = next((r for r in records if r.is_extended), None)
        here = None if link is None else container.start + link.start
    check_places(found, container.start + 1, container.end)
    for partition in found:
        if any(partition.start <= link < partition.end for link in links):
            raise LayoutError(f"partition {partition.number} overlaps a link of the chain")
    yield from found


def check_places(partitions: Iterable[Partition], first: int, end: int) -> None:
    """Check that no partition leaves first..end or overlaps another one."""
    free_from, before = first, 0
    for partition in sorted(partitions, key=lambda p: p.start):
        if partition.end > end:
            raise LayoutError(
                f"partition {partition.number} ends at sector {partition.end}, but there are only "
                f"{end}",
                hint="is this a copy of a larger card that was cut short?",
            )
        if partition.start < free_from:
            what = f"partition {before}" if before else "the partition table"
            raise LayoutError(f"partition {partition.number} overlaps {what}")
        free_from, before = partition.end, partition.number


def refuse_hybrid(records: Iterable[_Record]) -> None:
    """Refuse all but one protective record: two tables that disagree cannot be kept in step."""
    used = [record for record in records if record.type != 0]
    if len(used) > 1:
        raise LayoutError(
            "a hybrid table: the MBR in front of the GPT lists partitions of its own",
            hint="give the card a plain MBR or a plain GPT; a hybrid one cannot be rebuilt",
        )
    if used[0].start != 1:
        raise LayoutError(
            f"the MBR in front of the GPT protects it from sector {used[0].start} on, not from 1"
        )
