"""Partition tables, read from raw bytes: MBR with its chain of logical partitions, and GPT.

Layout: UEFI Specification 2.10, 5.2 and 5.3. What is accepted, and the order of the checks,
follow Linux block/partitions/msdos.c and efi.c: the board's kernel understood the same bytes.
Nothing here is shared with the tool that writes tables, so that it can witness what that did.
"""

from __future__ import annotations

import struct
import uuid
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model.layout import Disk, Partition, TableLabel
from holdstill.model.sizes import MIB, SECTOR, align_up

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.system.byte_source import ByteSource

REACH = 64 * MIB
"""End of the boot gap: no boot ROM that we know of looks beyond 16 MiB."""
BOOT_CODE = 440
"""Bytes of the first sector that belong to boot code, not to the table."""
LOGICAL_MAX = 128
"""Logical partitions that we follow; sfdisk stops at 60."""
ENTRIES_MAX = 1024
"""Entries of a GPT that we are willing to read."""

_EXTENDED = frozenset({0x05, 0x0F, 0x85})
_PROTECTIVE = 0xEE
_ENTRY_SIZE = 128
_ENTRIES_USUAL = 128
_HEADER = struct.Struct("<8sIIIIQQQQ16sQIII")
_ENTRY = struct.Struct("<16s16sQQQ72s")
_NAMED_ATTRIBUTES = ("RequiredPartition", "NoBlockIOProtocol", "LegacyBIOSBootable")
_UNUSED = bytes(16)


def read(source: ByteSource, *, sector_size: int = SECTOR) -> Disk:
    """Read the partition table of a whole disk.

    A disk without a table whose first sector begins a file system gives label NONE and one
    partition, number 1, that is the whole disk.

    Raises:
        LayoutError: no table and no file system, or a table that cannot be understood or rebuilt.
    """
    records = _records(_sector(source, 0, sector_size))
    if any(record.type == _PROTECTIVE for record in records or ()):
        _refuse_hybrid(records or [])
        return _read_gpt(source, sector_size)
    if probe.table_label(source) is TableLabel.NONE:
        return _whole_disk(source, sector_size)
    if records is None:
        raise LayoutError(
            "no partition table, and no file system on the whole disk either",
            hint="check that this is the disk that the board boots from",
        )
    return _read_mbr(source, sector_size, records)


def gap_ranges(disk: Disk) -> list[tuple[int, int]]:
    """Return (start, end) in bytes of what lies before the first partition and is no table.

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
        table_end = entries + align_up(count * _ENTRY_SIZE, step)
    ranges.append((table_end, min(first * step, REACH)))
    return [(start, end) for start, end in ranges if start < end]


def warnings(source: ByteSource, *, sector_size: int = SECTOR) -> tuple[str, ...]:
    """Say what is wrong with a table although it can be read: one copy of a GPT, or both ends.

    Raises:
        LayoutError: it cannot be read.
    """
    disk = read(source, sector_size=sector_size)
    if disk.label is not TableLabel.GPT:
        return ()
    last = source.size // sector_size - 1
    try:
        primary = _header(source, 1, sector_size)
    except LayoutError as error:
        return (f"the first copy of the GPT is unusable: {error}",)
    found = []
    if primary.alternate != last:
        found.append(
            f"the second copy of the GPT is at sector {primary.alternate}, not at the end ({last})"
        )
    try:
        backup = _header(source, min(primary.alternate, last), sector_size)
    except LayoutError as error:
        return (*found, f"the second copy of the GPT is unusable: {error}")
    if primary.common != backup.common:
        found.append("the two copies of the GPT differ")
    return tuple(found)


def _sector(source: ByteSource, lba: int, sector_size: int) -> bytes:
    try:
        return source.read(lba * sector_size, sector_size)
    except EOFError as error:
        raise LayoutError(f"the disk ends before sector {lba} that its table needs") from error


def _whole_disk(source: ByteSource, sector_size: int) -> Disk:
    everything = Partition(number=1, start=0, size=source.size // sector_size, type="")
    return Disk(
        size=source.size, sector_size=sector_size, label=TableLabel.NONE, partitions=(everything,)
    )


# MBR -------------------------------------------------------------------------------------------


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


def _records(sector: bytes) -> list[_Record] | None:
    """Return the four records, or None when the sector is no MBR."""
    if sector[510:512] != b"\x55\xaa":
        return None
    rows = struct.iter_unpack("<B3sB3sII", sector[446:510])
    records = [
        _Record(slot, boot, kind, start, size)
        for slot, (boot, _, kind, _, start, size) in enumerate(rows, start=1)
    ]
    # Linux, too, takes a sector with another boot indicator for something else than an MBR.
    return records if all(record.boot in {0, 0x80} for record in records) else None


def _read_mbr(source: ByteSource, sector_size: int, records: list[_Record]) -> Disk:
    (signature,) = struct.unpack_from("<I", _sector(source, 0, sector_size), 440)
    primary = [r.placed(number=r.slot, base=0) for r in records if r.is_used]
    containers = [r.placed(number=r.slot, base=0) for r in records if r.is_extended]
    if len(containers) > 1:
        raise LayoutError("the MBR has more than one extended partition: this cannot be rebuilt")
    _check_places(primary, 1, source.size // sector_size)
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
        records = _records(_sector(source, here, sector_size))
        if records is None and here != container.start:
            raise LayoutError(f"the chain of logical partitions is broken at sector {here}")
        records = records or []  # an extended partition that never held anything
        # The third and fourth record may hold rubbish that Linux skips, too.
        data = [r for r in records[:2] if r.is_used and not r.is_extended]
        found += [r.placed(number=5 + len(found), base=here) for r in data]
        link = next((r for r in records if r.is_extended), None)
        here = None if link is None else container.start + link.start
    _check_places(found, container.start + 1, container.end)
    _check_links_are_free(found, links)
    yield from found


def _check_places(partitions: Iterable[Partition], first: int, end: int) -> None:
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


def _check_links_are_free(partitions: Iterable[Partition], links: set[int]) -> None:
    for partition in partitions:
        if any(partition.start <= link < partition.end for link in links):
            raise LayoutError(f"partition {partition.number} overlaps a link of the chain")


def _refuse_hybrid(records: Iterable[_Record]) -> None:
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


# GPT -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Gpt:
    """One copy of a GPT whose checksums are right."""

    alternate: int
    first: int
    last: int
    guid: bytes
    entries_lba: int
    count: int
    entries: bytes

    @property
    def common(self) -> tuple[object, ...]:
        """What both copies must agree on."""
        return self.first, self.last, self.guid, self.count, self.entries


def _read_gpt(source: ByteSource, sector_size: int) -> Disk:
    gpt = _valid_copy(source, sector_size)
    partitions = tuple(_gpt_partitions(gpt))
    _check_places(partitions, gpt.first, gpt.last + 1)
    return Disk(
        size=source.size,
        sector_size=sector_size,
        label=TableLabel.GPT,
        id=_guid(gpt.guid),
        first_lba=gpt.first,
        last_lba=gpt.last,
        table_length=gpt.count,
        entries_lba=gpt.entries_lba if gpt.entries_lba != 2 else 0,
        partitions=partitions,
    )


def _valid_copy(source: ByteSource, sector_size: int) -> _Gpt:
    """Return the first copy, or the one at the end of the disk as Linux does."""
    try:
        return _header(source, 1, sector_size)
    except LayoutError as error:
        try:
            backup = _header(source, source.size // sector_size - 1, sector_size)
        except LayoutError as second:
            raise LayoutError(
                f"no usable GPT: {error}; at the end of the disk: {second}"
            ) from error
        # A repair puts the first copy right behind its header; where it was is not known.
        return _Gpt(
            backup.alternate, backup.first, backup.last, backup.guid, 2, backup.count,
            backup.entries,
        )  # fmt: skip


def _header(source: ByteSource, lba: int, sector_size: int) -> _Gpt:
    """Read one copy, with every check of the kernel's is_gpt_valid, in its order."""
    sector = _sector(source, lba, sector_size)
    (magic, _, length, crc, _, mine, alternate, first, last, guid, array, count, size,
     array_crc) = _HEADER.unpack_from(sector)  # fmt: skip
    end = source.size // sector_size
    _require("signature", magic == b"EFI PART")
    _require("header size", _HEADER.size <= length <= sector_size)
    bare = sector[:16] + bytes(4) + sector[20:length]
    _require("header checksum", zlib.crc32(bare) == crc)
    _require("own address", mine == lba)
    _require("usable range", 2 <= first <= last < end)
    _require("entry size", size == _ENTRY_SIZE)
    _require("number of entries", 1 <= count <= ENTRIES_MAX)
    array_end = array + -(-count * size // sector_size)
    _require("entry array's place", array >= 2 and (array_end <= first or array > last))
    _require("entry array's place", array_end <= end)
    entries = source.read(array * sector_size, count * size)
    _require("entry array's checksum", zlib.crc32(entries) == array_crc)
    return _Gpt(alternate, first, last, guid, array, count, entries)


def _require(what: str, good: bool) -> None:  # noqa: FBT001  an assertion
    if not good:
        raise LayoutError(f"wrong {what}")


def _gpt_partitions(gpt: _Gpt) -> Iterator[Partition]:
    for number, row in enumerate(_ENTRY.iter_unpack(gpt.entries), start=1):
        kind, unique, first, last, attributes, name = row
        if kind == _UNUSED:
            continue
        if first > last:
            raise LayoutError(f"partition {number} ends before it begins")
        yield Partition(
            number=number,
            start=first,
            size=last - first + 1,
            type=_guid(kind),
            uuid=_guid(unique),
            name=_name(number, name),
            attrs=_attributes(number, attributes),
        )


def _guid(raw: bytes) -> str:
    """Write a GUID: the first three fields are little-endian on disk."""
    return str(uuid.UUID(bytes_le=raw)).upper()


def _name(number: int, raw: bytes) -> str:
    try:
        return raw.decode("utf-16-le").partition("\0")[0]
    except UnicodeDecodeError as error:
        raise LayoutError(f"the name of partition {number} is not UTF-16") from error


def _attributes(number: int, bits: int) -> str:
    """Write attributes as sfdisk does: names for bits 0 to 2, numbers for 48 to 63."""
    words = [name for bit, name in enumerate(_NAMED_ATTRIBUTES) if bits >> bit & 1]
    of_type = [str(bit) for bit in range(48, 64) if bits >> bit & 1]
    if bits >> 3 & (1 << 45) - 1:
        raise LayoutError(f"partition {number} has attributes that are reserved: {bits:#x}")
    if of_type:
        words.append(f"GUID:{','.join(of_type)}")
    return " ".join(words)
