"""What a disk holds outside its partitions, behind the boot gap: what is copied, and the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from holdstill.disks import mbr
from holdstill.model.sizes import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.layout import Disk
    from holdstill.system.byte_source import ByteSource

READ_WHOLE = 16 * MIB
"""Bytes from the beginning of a gap that are copied, or at least all read: no boot ROM that we
know of reads more."""
COPIED_MAX = 64 * MIB
"""Bytes of all gaps of a disk that are copied."""
SAMPLES = 256
"""Blocks that are read of the rest of a large gap."""
_BLOCK = 4096
_CHUNK = MIB
_BLANK = (0x00, 0xFF)
"""What a card gives for bytes that nobody ever wrote."""
_EXTENDED = frozenset({"5", "f", "85"})
_LINK_ENDS = b"\x55\xaa"


class Gap(NamedTuple):
    """Bytes between partitions: start and end; after is the partition before, 0 for none."""

    start: int
    end: int
    after: int


def gaps(disk: Disk) -> list[Gap]:
    """Return what lies between partitions, without the boot gap and what is behind the last."""
    step, end, after = disk.sector_size, mbr.REACH, 0
    found = []
    places = sorted(
        (partition.start * step, partition.end * step, partition.number)
        for partition in disk.partitions
        if partition.type.lower() not in _EXTENDED
    )
    for start, stop, number in places:
        if start > end:
            found.append(Gap(end, start, after))
        end, after = (max(end, stop), number) if after else (stop, number)
    return found


def copied(disk: Disk) -> list[Gap]:
    """Return the beginnings of the gaps that are copied with what is before the partitions.

    None on a disk with logical partitions: the chain of those is in the gaps, and is made anew.
    """
    if _has_chain(disk):
        return []
    found, left = [], COPIED_MAX
    for gap in gaps(disk):
        end = gap.start + min(gap.end - gap.start, READ_WHOLE, left)
        if end > gap.start:
            found.append(gap._replace(end=end))
            left -= end - gap.start
    return found


def used(source: ByteSource, disk: Disk) -> Iterator[Gap]:
    """Yield the gaps that hold anything that is not copied, each from the first such byte on."""
    ends = {gap.start: gap.end for gap in copied(disk)}
    for whole in gaps(disk):
        gap = whole._replace(start=ends.get(whole.start, whole.start))
        first = next((at for at in _used_blocks(source, disk, gap)), None)
        if first is not None:
            yield gap._replace(start=first)


def is_blank(data: bytes) -> bool:
    """Whether nobody ever wrote these bytes."""
    return any(data.count(value) == len(data) for value in _BLANK)


def _used_blocks(source: ByteSource, disk: Disk, gap: Gap) -> Iterator[int]:
    """Yield the places of blocks in use: of all in the first bytes, of samples behind them."""
    whole = min(gap.end, gap.start + READ_WHOLE, source.size)
    for start in range(gap.start, whole, _CHUNK):
        chunk = source.read(start, min(_CHUNK, whole - start))
        if is_blank(chunk):
            continue
        for at in range(0, len(chunk), _BLOCK):
            if not _is_unused(chunk[at : at + _BLOCK], disk):
                yield start + at
    end = min(gap.end, source.size)
    step = max((end - whole) // SAMPLES // _BLOCK * _BLOCK, _BLOCK)
    for at in range(whole, end, step):
        if not _is_unused(source.read(at, min(_BLOCK, end - at)), disk):
            yield at


def _has_chain(disk: Disk) -> bool:
    return any(partition.type.lower() in _EXTENDED for partition in disk.partitions)


def _is_unused(block: bytes, disk: Disk) -> bool:
    """Whether a block is blank, but for links of the chain of logical partitions."""
    if is_blank(block):
        return True
    if not _has_chain(disk):
        return False
    size = disk.sector_size
    sectors = (block[at : at + size] for at in range(0, len(block), size))
    return all(is_blank(sector) or sector[510:512] == _LINK_ENDS for sector in sectors)
