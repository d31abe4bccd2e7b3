"""Fitting a partition table to a target of another size. Pure.

One partition gives or takes the difference. What is before it stays where it is; what is
behind it keeps its size and moves by a multiple of 4 MiB, so that it stays as aligned as it was.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar

import msgspec

from holdstill.errors import LayoutError, TargetRefusedError
from holdstill.model.layout import Partition, TableLabel, Volume
from holdstill.model.sizes import MIB, align_down, align_up, human

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.model.layout import Disk

END_STEP, MOVE_STEP = MIB, 4 * MIB
"""Bytes to which a last partition's end, and a partition's way, are rounded down."""
MBR_SECTORS = 2**32
"""Sectors that 32 bits can count (UEFI Specification 5.2.1)."""
GPT_ENTRY, GPT_ENTRIES = 128, 128
_EXTENDED = frozenset({"5", "f", "85"})
_Area = TypeVar("_Area", Partition, Volume)


class DoesNotFitError(TargetRefusedError):
    """The target is too small.

    Attributes:
        shortfall: bytes that are missing.
        smallest: bytes of the smallest target that would do, for this partition to shrink.
    """

    def __init__(self, what: str, *, shortfall: int, smallest: int) -> None:
        super().__init__(
            f"{what}: {shortfall} bytes ({human(shortfall)}) are missing",
            hint=f"the smallest target that holds this capture has {smallest} bytes "
            f"({human(smallest)})",
        )
        self.shortfall = shortfall
        self.smallest = smallest


def fitted(
    disk: Disk, *, size: int, elastic: int | None, least: Mapping[int, int], leave_free: int = 0
) -> Disk:
    """Return the disk's layout for a target of size bytes.

    Args:
        disk: the layout of the captured card.
        size: bytes of the target.
        elastic: number of the partition that gives or takes; None = none can.
        least: bytes that partitions need at least, by number.
        leave_free: bytes at the end that no partition gets.

    Raises:
        DoesNotFitError: the target is too small, or a partition that keeps its size is.
        LayoutError: the captured layout has overlapping partitions.
    """
    _check(disk)
    _check_kept(disk, elastic, least)
    lowest = smallest(disk, elastic=elastic, least=least, leave_free=leave_free)
    if size < lowest:
        who = f"partition {elastic} cannot shrink so far" if elastic else "no partition can shrink"
        too_small = DoesNotFitError(
            f"a target of {size} bytes ({human(size)}) is too small, and {who}",
            shortfall=lowest - size,
            smallest=lowest,
        )
        raise too_small
    if size < disk.size:
        disk = _without_free_extents(disk)
    limit = _limit(disk, size, leave_free)
    if elastic is None or (size == disk.size and _tail(disk) <= limit):
        return _sized(disk, size, disk.partitions)
    area = disk.area(elastic)
    change = align_down(_change(disk, area, limit), _grain(area))
    partitions = tuple(_changed(disk, one, area, change) for one in disk.partitions)
    volumes = tuple(_changed(disk, one, area, change) for one in disk.volumes)
    return _sized(msgspec.structs.replace(disk, volumes=volumes), size, partitions)


def smallest(
    disk: Disk, *, elastic: int | None, least: Mapping[int, int], leave_free: int = 0
) -> int:
    """Return the bytes of the smallest target, a multiple of 1 MiB.

    A target of the captured card's own size is always good for an unchanged layout.
    """
    whole, disk = disk, _without_free_extents(disk)
    sector, tail = disk.sector_size, _tail(disk)
    if elastic is not None:
        partition = disk.area(elastic)
        needed = align_up(-(-least.get(elastic, sector) // sector), _grain(partition))
        if _is_last(disk, partition):
            ends = partition.start + needed + _behind(disk, partition)
            tail = align_up(ends, END_STEP // sector)
        else:
            tail += align_up(needed - partition.size, MOVE_STEP // sector)
    end = (tail + trailer(disk)) * sector + align_up(leave_free, sector)
    lowest = align_up(end, END_STEP)
    unchanged = _tail(whole) <= _limit(whole, whole.size, leave_free)
    enough = elastic is None or disk.area(elastic).size * sector >= least.get(elastic, 0)
    return min(lowest, disk.size) if unchanged and enough else lowest


def _without_free_extents(disk: Disk) -> Disk:
    """Let a last partition end with its last logical volume: what is behind that is not in use."""
    partitions = []
    for partition in disk.partitions:
        inside = disk.volumes_of(partition.number)
        is_group = bool(inside) and all(volume.group for volume in inside)
        if is_group and partition.end == _tail(disk):
            size = max(volume.end for volume in inside) - partition.start
            partitions.append(msgspec.structs.replace(partition, size=size))
        else:
            partitions.append(partition)
    return msgspec.structs.replace(disk, partitions=tuple(partitions))


def _check_kept(disk: Disk, elastic: int | None, least: Mapping[int, int]) -> None:
    for partition in disk.areas:
        size = partition.size * disk.sector_size
        missing = least.get(partition.number, 0) - size
        if partition.number != elastic and missing > 0:
            raise DoesNotFitError(
                f"what partition {partition.number} holds does not fit its {human(size)} when it "
                "is written anew",
                shortfall=missing,
                smallest=align_up(disk.size + missing, MOVE_STEP) + MOVE_STEP,
            )


def _tail(disk: Disk) -> int:
    """First sector behind all partitions."""
    return max((partition.end for partition in disk.partitions), default=0)


def trailer(disk: Disk) -> int:
    """Sectors of the backup GPT at the end of the disk (UEFI Specification 5.3.2)."""
    if disk.label is not TableLabel.GPT:
        return 0
    table = (disk.table_length or GPT_ENTRIES) * GPT_ENTRY
    return 1 + -(-table // disk.sector_size)


def _limit(disk: Disk, size: int, leave_free: int) -> int:
    """First sector that no partition may have."""
    sectors = size // disk.sector_size - trailer(disk)
    if disk.label is TableLabel.DOS:
        sectors = min(sectors, MBR_SECTORS)
    return sectors - -(-leave_free // disk.sector_size)


def _is_extended(partition: Partition) -> bool:
    return partition.type.lower() in _EXTENDED


def _is_container(disk: Disk, area: Partition | Volume) -> bool:
    """Whether it holds others, and has to become as large as these need."""
    if disk.volumes_of(area.number):
        return True
    is_dos = disk.label is TableLabel.DOS
    return is_dos and isinstance(area, Partition) and _is_extended(area)


def _grain(area: Partition | Volume) -> int:
    return area.grain if isinstance(area, Volume) else 1


def _is_last(disk: Disk, partition: Partition | Volume) -> bool:
    """Whether nothing follows it, except the rest of the container that it is in."""
    return all(other.start < partition.end for other in disk.areas)


def _behind(disk: Disk, area: Partition | Volume, *, within: int = 0) -> int:
    """Return the sectors that what an area is in needs behind it: all of that, or up to one."""
    total = 0
    while isinstance(area, Volume) and area.number != within:
        total += area.behind
        area = disk.area(area.of)
    return total


def _change(disk: Disk, partition: Partition | Volume, limit: int) -> int:
    """By how many sectors the partition grows; negative when it shrinks."""
    if not _is_last(disk, partition):
        return align_down(limit - _tail(disk), MOVE_STEP // disk.sector_size)
    now = partition.end + _behind(disk, partition)
    end = align_down(limit, END_STEP // disk.sector_size)
    if limit >= now:
        end = max(end, now)
    return end - now


def _changed(disk: Disk, other: _Area, partition: Partition | Volume, change: int) -> _Area:
    """Return what becomes of one partition when another grows by this many sectors."""
    if other.number == partition.number:
        return msgspec.structs.replace(other, size=other.size + change)
    contains = other.start <= partition.start and partition.end <= other.end
    if contains and _is_container(disk, other):
        end = other.end
        if _is_last(disk, partition):
            end = partition.end + _behind(disk, partition, within=other.number)
        return msgspec.structs.replace(other, size=end + change - other.start)
    if other.start >= partition.end:
        return msgspec.structs.replace(other, start=other.start + change)
    return other


def _sized(disk: Disk, size: int, partitions: tuple[Partition, ...]) -> Disk:
    last_lba = disk.last_lba
    if disk.label is TableLabel.GPT and size != disk.size:
        last_lba = size // disk.sector_size - trailer(disk) - 1
    changed = msgspec.structs.replace(
        disk,
        size=size,
        partitions=partitions,
        last_lba=last_lba,
        model="",
        serial="",
        emmc_boot=None,
    )
    _check(changed)
    return changed


def _check(disk: Disk) -> None:
    """Refuse partitions that overlap or reach past the end."""
    containers = [partition for partition in disk.partitions if _is_extended(partition)]
    plain = [partition for partition in disk.partitions if partition not in containers]
    ordered = sorted(plain, key=lambda partition: partition.start)
    for first, second in pairwise(ordered):
        if first.end > second.start:
            raise LayoutError(f"partitions {first.number} and {second.number} overlap")
    for partition in disk.partitions:
        if partition.size < 1 or partition.end * disk.sector_size > disk.size:
            raise LayoutError(f"partition {partition.number} is empty or reaches past the end")
    _check_volumes(disk)


def _check_volumes(disk: Disk) -> None:
    """Refuse volumes that overlap, or reach out of what they are in."""
    for area in disk.areas:
        inside = sorted(disk.volumes_of(area.number), key=lambda volume: volume.start)
        ends = [area.start, *(volume.end for volume in inside)]
        for volume, before in zip(inside, ends, strict=False):
            if volume.size < 1 or volume.start < before or volume.end > area.end:
                raise LayoutError(
                    f"volume {volume.number} does not fit into {area.number}, which it is in",
                    hint="files can be taken out with `holdstill get`",
                )
