"""Fitting a partition table to a target of another size. Pure.

One partition gives or takes the difference. What is before it stays where it is; what is
behind it keeps its size and moves by a multiple of 4 MiB, so that it stays as aligned as it was.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import LayoutError, TargetRefusedError
from holdstill.model.layout import TableLabel
from holdstill.model.sizes import MIB, align_down, align_up, human

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.model.layout import Disk, Partition

END_STEP, MOVE_STEP = MIB, 4 * MIB
"""Bytes to which a last partition's end, and a partition's way, are rounded down."""
MBR_SECTORS = 2**32
"""Sectors that 32 bits can count (UEFI Specification 5.2.1)."""
GPT_ENTRY, GPT_ENTRIES = 128, 128
_EXTENDED = frozenset({"5", "f", "85"})


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
    limit = _limit(disk, size, leave_free)
    if elastic is None or (size == disk.size and _tail(disk) <= limit):
        return _sized(disk, size, disk.partitions)
    partition = disk.partition(elastic)
    change = _change(disk, partition, limit)
    return _sized(disk, size, tuple(_changed(disk, p, partition, change) for p in disk.partitions))


def smallest(
    disk: Disk, *, elastic: int | None, least: Mapping[int, int], leave_free: int = 0
) -> int:
    """Return the bytes of the smallest target, a multiple of 1 MiB.

    A target of the captured card's own size is always good for an unchanged layout.
    """
    sector, tail = disk.sector_size, _tail(disk)
    if elastic is not None:
        partition = disk.partition(elastic)
        needed = -(-least.get(elastic, sector) // sector)
        if _is_last(disk, partition):
            tail = align_up(partition.start + needed, END_STEP // sector)
        else:
            tail += align_up(needed - partition.size, MOVE_STEP // sector)
    end = (tail + trailer(disk)) * sector + align_up(leave_free, sector)
    lowest = align_up(end, END_STEP)
    unchanged = _tail(disk) <= _limit(disk, disk.size, leave_free)
    enough = elastic is None or disk.partition(elastic).size * sector >= least.get(elastic, 0)
    return min(lowest, disk.size) if unchanged and enough else lowest


def _check_kept(disk: Disk, elastic: int | None, least: Mapping[int, int]) -> None:
    for partition in disk.partitions:
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


def _is_container(partition: Partition) -> bool:
    return partition.type.lower() in _EXTENDED


def _is_last(disk: Disk, partition: Partition) -> bool:
    """Whether nothing follows it, except the rest of the container that it is in."""
    return all(other.start < partition.end for other in disk.partitions)


def _change(disk: Disk, partition: Partition, limit: int) -> int:
    """By how many sectors the partition grows; negative when it shrinks."""
    if not _is_last(disk, partition):
        return align_down(limit - _tail(disk), MOVE_STEP // disk.sector_size)
    end = align_down(limit, END_STEP // disk.sector_size)
    if limit >= partition.end:
        end = max(end, partition.end)
    return end - partition.end


def _changed(disk: Disk, other: Partition, partition: Partition, change: int) -> Partition:
    """Return what becomes of one partition when another grows by this many sectors."""
    if other.number == partition.number:
        return msgspec.structs.replace(other, size=other.size + change)
    contains = other.start <= partition.start and partition.end <= other.end
    if _is_container(other) and disk.label is TableLabel.DOS and contains:
        end = partition.end if _is_last(disk, partition) else other.end
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
    containers = [partition for partition in disk.partitions if _is_container(partition)]
    plain = [partition for partition in disk.partitions if partition not in containers]
    ordered = sorted(plain, key=lambda partition: partition.start)
    for first, second in pairwise(ordered):
        if first.end > second.start:
            raise LayoutError(f"partitions {first.number} and {second.number} overlap")
    for partition in disk.partitions:
        if partition.size < 1 or partition.end * disk.sector_size > disk.size:
            raise LayoutError(f"partition {partition.number} is empty or reaches past the end")
