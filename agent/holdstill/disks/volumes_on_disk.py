"""Finds the logical volumes on a disk that is not in use: by LVM's own metadata, without LVM."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.disks import lvm_reader
from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model.layout import VOLUME_BASE, Disk, Raw, Volume

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.layout import Partition
    from holdstill.system.byte_source import OpenFile

_LVM = "LVM2_member"


def with_volumes(source: OpenFile, disk: Disk) -> Disk:
    """Return a disk with the logical volumes in its partitions, as far as they can be read.

    Those that are not in one piece, and what encrypted containers hold, are left out.

    Args:
        source: all of the disk.
        disk: what its table says.
    """
    volumes = list[Volume]()
    for partition in disk.partitions:
        volumes += _volumes(source, disk, partition, VOLUME_BASE + 1 + len(volumes))
    return msgspec.structs.replace(disk, volumes=tuple(volumes))


def matched(disk: Disk, wanted: Disk) -> Disk:
    """Return a disk whose logical volumes have the numbers that another's have, by their ids."""
    known = {volume.uuid: volume for volume in wanted.volumes if volume.uuid}
    return msgspec.structs.replace(
        disk,
        volumes=tuple(
            msgspec.structs.replace(one, number=known[one.uuid].number, of=known[one.uuid].of)
            for one in disk.volumes
            if one.uuid in known
        ),
    )


def _volumes(source: OpenFile, disk: Disk, partition: Partition, number: int) -> Iterator[Volume]:
    step = disk.sector_size
    start, size = partition.start * step, partition.size * step
    if start + size > source.size:
        return
    window = source.window(start, size)
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
