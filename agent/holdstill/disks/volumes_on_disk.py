"""Finds logical volumes and mirrors on a disk that is not in use, by their own metadata.

Neither LVM nor mdadm is needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.disks import lvm_reader, md_superblock
from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model.layout import VOLUME_BASE, Disk, Partition, Raw, Volume
from holdstill.model.sizes import SECTOR

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.system.byte_source import OpenFile

_LVM = "LVM2_member"


def with_volumes(source: OpenFile, disk: Disk) -> Disk:
    """Return a disk with the volumes in its partitions, as far as they can be read.

    Those that are not in one piece, and what encrypted containers hold, are left out.

    Args:
        source: all of the disk.
        disk: what its table says.
    """
    volumes = list[Volume]()
    todo: list[Partition | Volume] = list(disk.partitions)
    while todo:
        found = list(_volumes(source, disk, todo.pop(0), VOLUME_BASE + 1 + len(volumes)))
        volumes += found
        todo = [*(one for one in found if one.array), *todo]
    return msgspec.structs.replace(disk, volumes=tuple(volumes))


def matched(disk: Disk, wanted: Disk) -> Disk:
    """Return a disk whose volumes have the numbers that another's have, by their ids.

    And mirrors the names that the kernel gave them, which are nowhere on a disk.
    """
    known = {volume.uuid: volume for volume in wanted.volumes if volume.uuid}
    return msgspec.structs.replace(
        disk,
        volumes=tuple(
            msgspec.structs.replace(
                one,
                number=known[one.uuid].number,
                of=known[one.uuid].of,
                array=known[one.uuid].array,
            )
            for one in disk.volumes
            if one.uuid in known
        ),
    )


def _volumes(
    source: OpenFile, disk: Disk, partition: Partition | Volume, number: int
) -> Iterator[Volume]:
    step = disk.sector_size
    start, size = partition.start * step, partition.size * step
    if start + size > source.size:
        return
    window = source.window(start, size)
    if isinstance(partition, Partition):
        mirror = _mirror(window, disk, partition, number)
        if mirror is not None:
            yield mirror
            return
    kind = probe.probe(window)
    if not isinstance(kind, Raw) or kind.type != _LVM:
        return
    try:
        found = lvm_reader.read(window)
    except LayoutError:
        return
    for place, one in enumerate(one for one in found.own if one.first >= 0):
        begins = start + found.first_extent + one.first * found.extent_size
        yield Volume(
            number=number + place,
            of=partition.number,
            name=one.name,
            group=found.group,
            uuid=one.uuid,
            start=begins // step,
            size=one.extents * found.extent_size // step,
            grain=found.extent_size // step,
        )


def _mirror(window: OpenFile, disk: Disk, partition: Partition, number: int) -> Volume | None:
    """Return the content of a mirror whose member a partition is; None if it is none."""
    try:
        found = md_superblock.read(window)
    except LayoutError:
        return None
    member, step = found.member, disk.sector_size
    size = found.sectors * SECTOR
    if found.level != md_superblock.MIRROR or member.first_byte + size > window.size:
        return None
    return Volume(
        number=number,
        of=partition.number,
        name=member.name,
        array="md",
        uuid=member.uuid,
        start=partition.start + member.first_byte // step,
        size=size // step,
    )
