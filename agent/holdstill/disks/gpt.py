"""The GUID partition table, read from raw bytes: UEFI 2.10, 5.3."""

from __future__ import annotations

import struct
import uuid
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError
from holdstill.model.layout import Disk, Partition, TableLabel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.byte_source import ByteSource

from holdstill.disks.mbr import check_places, read_sector

ENTRIES_MAX = 1024
"""Most entries of a GPT that are read."""


ENTRY_SIZE = 128


_HEADER = struct.Struct("<8sIIIIQQQQ16sQIII")


_ENTRY = struct.Struct("<16s16sQQQ72s")


_NAMED_ATTRIBUTES = ("RequiredPartition", "NoBlockIOProtocol", "LegacyBIOSBootable")


_UNUSED = bytes(16)


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


def read_gpt(source: ByteSource, sector_size: int) -> Disk:
    """Read a GPT, from its second copy if the first is damaged."""
    gpt = _valid_copy(source, sector_size)
    partitions = tuple(_gpt_partitions(gpt))
    check_places(partitions, gpt.first, gpt.last + 1)
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
        return read_header(source, 1, sector_size)
    except LayoutError as error:
        try:
            backup = read_header(source, source.size // sector_size - 1, sector_size)
        except LayoutError as second:
            raise LayoutError(
                f"no usable GPT: {error}; at the end of the disk: {second}"
            ) from error
        # A repair puts the first copy right behind its header; where it was is not known.
        return _Gpt(
            backup.alternate, backup.first, backup.last, backup.guid, 2, backup.count,
            backup.entries,
        )  # fmt: skip


def read_header(source: ByteSource, lba: int, sector_size: int) -> _Gpt:
    """Read one copy, with every check of the kernel's is_gpt_valid, in its order."""
    sector = read_sector(source, lba, sector_size)
    (magic, _, length, crc, _, mine, alternate, first, last, guid, array, count, size,
     array_crc) = _HEADER.unpack_from(sector)  # fmt: skip
    end = source.size // sector_size
    _require("signature", magic == b"EFI PART")
    _require("header size", _HEADER.size <= length <= sector_size)
    bare = sector[:16] + bytes(4) + sector[20:length]
    _require("header checksum", zlib.crc32(bare) == crc)
    _require("own address", mine == lba)
    _require("usable range", 2 <= first <= last < end)
    _require("entry size", size == ENTRY_SIZE)
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
