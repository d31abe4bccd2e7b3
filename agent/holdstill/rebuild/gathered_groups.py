"""A capture whose volume groups are each on one partition, where a volume is on several. Pure.

A rebuild writes each volume in one piece. One that is on several physical volumes has room on none
of them, so the first of them gets the room of the others, which are gone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import structs

from holdstill.model.layout import LvmPv, Partition, Volume
from holdstill.model.sizes import align_down, align_up
from holdstill.rebuild.disk_choice import sized
from holdstill.rebuild.partition_layout import MOVE_STEP

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.model.layout import Disk, FileSystem
    from holdstill.model.manifest import Manifest


def made(manifest: Manifest) -> tuple[Manifest, tuple[str, ...]]:
    """Gather the groups of a capture of one disk; return it with notes for people.

    What cannot be gathered stays as it is, and is refused by whoever plans it.
    """
    notes = []
    for group in _spread(manifest):
        systems = {part.number: part.file_system for part in manifest.parts}
        first, *others = group
        physical = systems[first]
        assert isinstance(physical, LvmPv)  # noqa: S101  it is of a group
        alone = structs.replace(physical, members=1, spanning=())
        manifest = structs.replace(
            manifest,
            disk=_gathered(manifest.disk, group, systems),
            parts=tuple(
                structs.replace(part, file_system=alone) if part.number == first else part
                for part in manifest.parts
                if part.number not in others
            ),
        )
        notes.append(
            f"the volume group {physical.group} is on partition {first} alone: "
            f"{', '.join(physical.spanning)} was on several, and "
            f"{', '.join(map(str, others))} is no partition any more"
        )
    return manifest, tuple(notes)


def _spread(manifest: Manifest) -> Iterator[list[int]]:
    """Yield the physical volumes, by place, of each group that has to be gathered, and can be.

    Those within containers cannot, nor those on a disk with logical partitions.
    """
    disk = manifest.disk
    if disk.has_logical:
        return
    groups = dict[str, list[LvmPv]]()
    numbers = dict[str, list[int]]()
    systems = {part.number: part.file_system for part in manifest.parts}
    for one in sorted(disk.partitions, key=lambda one: one.start):
        physical = systems.get(one.number)
        if isinstance(physical, LvmPv):
            groups.setdefault(physical.group_uuid, []).append(physical)
            numbers.setdefault(physical.group_uuid, []).append(one.number)
    for uuid, members in groups.items():
        if members[0].spanning and len(members) == members[0].members:
            yield numbers[uuid]


def _gathered(disk: Disk, numbers: list[int], systems: Mapping[int, FileSystem]) -> Disk:
    """Give the first of these partitions the room of the others, and all of their volumes."""
    first, *others = numbers
    room = [
        align_down(disk.area(number).size * disk.sector_size - physical.first_extent,
                   physical.extent_size)
        for number in others
        if isinstance(physical := systems[number], LvmPv)
    ]  # fmt: skip
    partitions, ways = list[Partition](), dict[int, int]()
    end, step = 0, MOVE_STEP // disk.sector_size
    for one in sorted(disk.partitions, key=lambda one: one.start):
        if one.number in others:
            continue
        start = one.start if one.start >= end else align_up(end, step)
        size = one.size + (sum(room) // disk.sector_size if one.number == first else 0)
        ways[one.number], end = start - one.start, start + size
        partitions.append(structs.replace(one, start=start, size=size))
    physical = systems[first]
    assert isinstance(physical, LvmPv)  # noqa: S101  it is of a group
    begin = disk.area(first).start + physical.first_extent // disk.sector_size
    volumes = list[Volume]()
    for volume in disk.volumes:  # each behind what it is in
        if volume.of in numbers:
            moved = structs.replace(volume, of=first, start=begin)
            begin = moved.end
        else:
            moved = structs.replace(volume, start=volume.start + ways[volume.of])
        ways[volume.number] = moved.start - volume.start
        volumes.append(moved)
    return sized(structs.replace(disk, partitions=tuple(partitions), volumes=tuple(volumes)), end)
