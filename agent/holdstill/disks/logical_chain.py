"""The chain of logical partitions of an MBR: one link, a sector, for each of them.

sfdisk refuses or moves logical partitions not placed as it would place them; a rebuild needs
them where they were. So the links are made here: a sector whose first record is the partition,
counted from the link, and whose second is the next link, counted from the container.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.model.layout import Disk, Partition

CONTAINER_TYPES = frozenset({"5", "f", "85"})
FIRST_LOGICAL = 5
USUAL_DISTANCE = 2048
"""Sectors from a link to its partition, as sfdisk leaves them: 1 MiB."""
_RECORD = struct.Struct("<B3sB3sII")
_HEADS, _SECTORS, _CYLINDERS = 255, 63, 1024
_BEYOND = b"\xfe\xff\xff"


def links(disk: Disk) -> list[tuple[int, bytes]]:
    """Return (sector number, 512 bytes) of every link; empty without logical partitions.

    Raises:
        LayoutError: there is no container for them, or no room for a link.
    """
    logical = logicals(disk)
    if not logical:
        return []
    container = _container(disk)
    places = _places(container, logical)
    made = []
    for index, (partition, place) in enumerate(zip(logical, places, strict=True)):
        following = index + 1
        record = b""
        if following < len(logical):
            record = _pointer(container, places[following], logical[following])
        data = _record(
            boot=0x80 if partition.bootable else 0,
            kind=int(partition.type, 16),
            start=partition.start - place,
            size=partition.size,
            absolute=partition.start,
        )
        sector = bytes(446) + (data + record).ljust(64, b"\0") + b"\x55\xaa"
        made.append((place, sector))
    return made


def logicals(disk: Disk) -> list[Partition]:
    """Return the logical partitions in the order of their numbers."""
    found = [part for part in disk.partitions if part.number >= FIRST_LOGICAL]
    return sorted(found, key=lambda part: part.number)


def _container(disk: Disk) -> Partition:
    for partition in disk.partitions:
        if partition.number < FIRST_LOGICAL and partition.type.lower() in CONTAINER_TYPES:
            return partition
    raise LayoutError("the MBR has logical partitions, but no extended one that holds them")


def _places(container: Partition, logical: Sequence[Partition]) -> list[int]:
    """Find a free sector for each link; the first one is where the container begins."""
    taken = [(container.start, container.start + 1)]
    taken += [(partition.start, partition.end) for partition in logical]
    places = [container.start]
    for partition in logical[1:]:
        place = _free_sector(container, taken, partition)
        taken.append((place, place + 1))
        places.append(place)
    for partition in logical:
        if not container.start < partition.start < partition.end <= container.end:
            raise LayoutError(f"partition {partition.number} is outside the extended partition")
    return places


def _free_sector(
    container: Partition, taken: Sequence[tuple[int, int]], partition: Partition
) -> int:
    """Return the usual place of a partition's link, or the nearest free one before it."""
    usual = max(partition.start - USUAL_DISTANCE, container.start + 1)
    before = [(start, end) for start, end in taken if start < partition.start]
    reach = max((end for _, end in before), default=container.start)
    if reach < partition.start:
        return max(usual, reach)
    end = partition.start
    for start, stop in sorted(before, reverse=True):
        if stop < end:
            return end - 1
        end = min(end, start)
    raise LayoutError(f"there is no room for the link of logical partition {partition.number}")


def _pointer(container: Partition, place: int, partition: Partition) -> bytes:
    return _record(
        boot=0,
        kind=0x05,
        start=place - container.start,
        size=partition.end - place,
        absolute=place,
    )


def _record(*, boot: int, kind: int, start: int, size: int, absolute: int) -> bytes:
    first, last = chs(absolute), chs(absolute + size - 1)
    return _RECORD.pack(boot, first, kind, last, start, size)


def chs(sector: int) -> bytes:
    """Write a sector number the old way: head, sector, cylinder; or the value for out of range."""
    cylinder, rest = divmod(sector, _HEADS * _SECTORS)
    if cylinder >= _CYLINDERS:
        return _BEYOND
    head, number = divmod(rest, _SECTORS)
    return bytes([head, number + 1 | cylinder >> 2 & 0xC0, cylinder & 0xFF])
