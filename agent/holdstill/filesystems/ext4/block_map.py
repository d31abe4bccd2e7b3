"""The block map of ext2 and ext3: 12 direct blocks, then one, two and three levels of lists.

Linux Documentation/filesystems/ext4/ifork.rst, "Direct/Indirect Block Addressing". Pure but for
the two functions that it is passed.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from itertools import islice
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from holdstill.filesystems.ext4.libext2fs import Extent

DIRECT, LEVELS = 12, 3


class BlockMap(NamedTuple):
    """The 60 bytes in the inode, and how many blocks the lists behind them take."""

    map: bytes
    lists: int


def build(
    extents: Sequence[Extent],
    *,
    block_size: int,
    take: Callable[[], int],
    write: Callable[[int, bytes], None],
) -> BlockMap:
    """Map a file's blocks.

    Args:
        extents: in order of their logical blocks.
        block_size: bytes of a block.
        take: returns a free block for a list.
        write: puts the content of a list into its block.

    Raises:
        ValueError: the file is larger than a map can address.
    """
    mapper = _Mapper(extents, block_size // 4, take, write)
    slots, first = mapper.blocks(0, DIRECT), DIRECT
    for level in range(1, LEVELS + 1):
        slots.append(mapper.tree(first, level))
        first += mapper.width**level
    if extents and extents[-1].logical + extents[-1].length > first:
        raise ValueError("a file is too large for a block map")
    return BlockMap(_list(slots), mapper.lists)


class _Mapper:
    def __init__(
        self,
        extents: Sequence[Extent],
        width: int,
        take: Callable[[], int],
        write: Callable[[int, bytes], None],
    ) -> None:
        self._extents, self._take, self._write = extents, take, write
        self._starts = [extent.logical for extent in extents]
        self.width = width
        self.lists = 0

    def tree(self, first: int, level: int) -> int:
        """Write the lists that map the blocks from first on; return their root, 0 for none."""
        span = self.width**level
        if next(self._in(first, first + span), None) is None:
            return 0
        own = self._take()
        self.lists += 1
        if level == 1:
            slots = self.blocks(first, self.width)
        else:
            step = span // self.width
            slots = [self.tree(start, level - 1) for start in range(first, first + span, step)]
        self._write(own, _list(slots))
        return own

    def blocks(self, first: int, count: int) -> list[int]:
        """Return where count blocks from first on are; 0 for a hole."""
        slots = [0] * count
        for extent in self._in(first, first + count):
            low = max(extent.logical, first)
            high = min(extent.logical + extent.length, first + count)
            start = extent.physical + low - extent.logical
            slots[low - first : high - first] = range(start, start + high - low)
        return slots

    def _in(self, first: int, end: int) -> Iterator[Extent]:
        """Yield the extents that have blocks between first and end."""
        begin = max(bisect_right(self._starts, first) - 1, 0)
        for extent in islice(self._extents, begin, None):
            if extent.logical >= end:
                return
            if extent.logical + extent.length > first:
                yield extent


def _list(slots: list[int]) -> bytes:
    return struct.pack(f"<{len(slots)}I", *slots)


def list_count(extents: Sequence[Extent], *, block_size: int) -> int:
    """Return how many lists a map of these extents has."""
    return build(
        extents, block_size=block_size, take=lambda: 1, write=lambda _block, _list: None
    ).lists
