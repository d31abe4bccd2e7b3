"""LVM's volume groups in a rebuild: whether they can be made again, and where all is. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import LayoutError, TargetRefusedError
from holdstill.model.layout import LvmPv
from holdstill.rebuild.steps import MakeLvm, PlacedPhysical, PlacedVolume

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.layout import Disk
    from holdstill.model.manifest import Manifest


def check(manifest: Manifest) -> None:
    """Check that each volume group is whole, and each of its volumes on one physical volume.

    Raises:
        TargetRefusedError: one is not.
        LayoutError: what its physical volumes say of it makes no sense together.
    """
    for number, physical in _physical(manifest):
        here = [one for _, one in _physical(manifest) if one.group_uuid == physical.group_uuid]
        same = {(one.group, one.extent_size, one.members) for one in here}
        if len(same) > 1 or len({one.uuid for one in here}) < len(here):
            raise LayoutError(f"the physical volumes of the group {physical.group} do not agree")
        why = ""
        if len(here) < physical.members:
            why = f"one of {physical.members} physical volumes"
        elif physical.spanning:
            why = f"one of those that {', '.join(physical.spanning)} is on, together,"
        if why:
            raise TargetRefusedError(
                f"partition {number} is {why} of the volume group {physical.group}, which cannot "
                "be made again",
                hint="`--disk all` puts a group on several disks onto one; files can be taken out "
                "with `holdstill get`",
            )


def _physical(manifest: Manifest) -> list[tuple[int, LvmPv]]:
    systems = ((part.number, part.file_system) for part in manifest.parts)
    return [(number, system) for number, system in systems if isinstance(system, LvmPv)]


def step(number: int, parameters: LvmPv, manifest: Manifest, disk: Disk) -> MakeLvm:
    """Decide what a physical volume says of its group, and where the volumes of that are.

    Args:
        number: of its partition, or of the volume that it is on.
        parameters: of it.
        manifest: of the capture.
        disk: as it will be.

    Raises:
        LayoutError: they are not where whole extents are.
    """
    members, volumes = [], list[PlacedVolume]()
    for other, physical in _physical(manifest):
        if physical.group_uuid == parameters.group_uuid:
            size = disk.area(other).size * disk.sector_size
            first = physical.first_extent
            members.append(PlacedPhysical(uuid=physical.uuid, size=size, first_extent=first))
            volumes += _placed(disk, other, physical)
    area = disk.area(number)
    return MakeLvm(
        number=number, offset=area.start * disk.sector_size, size=area.size * disk.sector_size,
        parameters=parameters, members=tuple(members), volumes=tuple(volumes),
    )  # fmt: skip


def _placed(disk: Disk, number: int, physical: LvmPv) -> Iterator[PlacedVolume]:
    begin = disk.area(number).start * disk.sector_size + physical.first_extent
    for volume in disk.volumes_of(number):
        start, size = volume.start * disk.sector_size - begin, volume.size * disk.sector_size
        if start % physical.extent_size or size % physical.extent_size:
            raise LayoutError(f"volume {volume.number} is no whole number of LVM's extents")
        yield PlacedVolume(
            name=volume.name,
            uuid=volume.uuid,
            first=start // physical.extent_size,
            extents=size // physical.extent_size,
            physical=physical.uuid,
        )
