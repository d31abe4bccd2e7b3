"""Where the parts of a file lie: by FIEMAP, or by btrfs' own extent items.

Both come as the same extents, so that one comparison serves. With FIEMAP a place is a byte of the
whole disk, where the block trace can find it. On btrfs FIEMAP's places are no disk's, and a place
that was freed can be taken again: there the extent item's generation tells one from the other,
nothing is ever written in place, and no trace is needed. What btrfs does write in place (nocow)
cannot be followed so.

Where a file system lets files share blocks (xfs, btrfs), a place that was left can be given back,
with what it held before: whoever shares it has kept it. So a map also tells what is shared.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from enum import Enum, auto
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.system import file_status, ioctl

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence


class State(Enum):
    """What is known of an extent's data."""

    STORED = auto()
    """It is at that place, or dirty in memory and will be."""
    ZEROS = auto()
    """Allocated, and reads as zeros unless there is dirty data in memory (unwritten)."""
    UNSURE = auto()
    """No place can be said: not allocated yet, packed, encoded."""


class Extent(NamedTuple):
    """A part of a file, in bytes; what no extent covers is a hole.

    Two extents hold the same bytes of a disk at the same offset of the file if all but offset and
    length are equal.
    """

    offset: int
    length: int
    shift: int
    """Place less offset."""
    state: State
    version: tuple[int, ...] = ()
    """Set where a place is never written twice: what else tells its contents apart."""

    @property
    def end(self) -> int:
        """The offset behind it."""
        return self.offset + self.length

    @property
    def kind(self) -> tuple[int, State, tuple[int, ...]]:
        """All but where in the file it is."""
        return self.shift, self.state, self.version

    def clipped(self, start: int, end: int) -> Extent:
        """Return the part of it in a range that it touches."""
        first, last = max(self.offset, start), min(self.end, end)
        return self._replace(offset=first, length=last - first)


class ExtentMap(Protocol):
    """The map of one open file."""

    def extents(self, start: int, end: int) -> list[Extent]:
        """Return what lies in a range of the file now, clipped to it, in order; OSError."""

    def is_shared(self, start: int, end: int) -> bool:
        """Whether another file, or another place of this one, has blocks of a range; OSError."""


class FiemapMap:
    """A file's map by FIEMAP, for file systems that write in place (ext4, f2fs) or nearly (xfs).

    Args:
        handle: the open file.
        first_byte: of the disk, at which its partition begins.
    """

    def __init__(self, handle: int, first_byte: int) -> None:
        self._handle, self._first = handle, first_byte

    def extents(self, start: int, end: int) -> list[Extent]:
        """Return what lies in a range of the file now, clipped to it, in order."""
        found = ioctl.fiemap(self._handle, start, end - start)
        return joined(parse_mapped(found, self._first), start, end)

    def is_shared(self, start: int, end: int) -> bool:
        """Whether another file, or another place of this one, has blocks of a range."""
        return _is_shared(self._handle, start, end)


def parse_mapped(found: Iterable[ioctl.MappedExtent], first_byte: int) -> Iterator[Extent]:
    """Understand FIEMAP's extents; places become bytes of the whole disk."""
    for one in found:
        shift = one.physical + first_byte - one.logical
        yield Extent(one.logical, one.length, shift, _state(one.flags))


def _is_shared(handle: int, start: int, end: int) -> bool:
    found = ioctl.fiemap(handle, start, end - start)
    return any(one.flags & ioctl.FIEMAP_EXTENT_SHARED for one in found)


def _state(flags: int) -> State:
    if flags & ~ioctl.FIEMAP_PLACED:
        return State.UNSURE
    return State.ZEROS if flags & ioctl.FIEMAP_EXTENT_UNWRITTEN else State.STORED


def joined(extents: Iterable[Extent], start: int, end: int) -> list[Extent]:
    """Return extents clipped to a range, neighbours that continue each other made one."""
    found: list[Extent] = []
    for extent in extents:
        if extent.end > start and extent.offset < end:
            join(found, extent.clipped(start, end))
    return found


def join(found: list[Extent], one: Extent) -> None:
    """Add an extent behind others; if it continues the last of them, the two are made one."""
    if found and found[-1].end == one.offset and found[-1].kind == one.kind:
        before = found.pop()
        one = before._replace(length=before.length + one.length)
    found.append(one)


def part_of(extents: Sequence[Extent], start: int, end: int) -> list[Extent]:
    """Return what a map has in a range, clipped to it; the map is in order, as maps are."""
    found = []
    for at in range(bisect_right(extents, start, key=attrgetter("end")), len(extents)):
        if extents[at].offset >= end:
            break
        found.append(extents[at].clipped(start, end))
    return found


FS_NOCOW_FL = 0x00800000
"""Of linux/fs.h."""
_LONGEST = 256 << 20
"""Bytes that one extent item covers at most (what one step of fallocate takes on btrfs)."""
_ITEM = struct.Struct("<QQBBHB")
_PLACE = struct.Struct("<QQQQ")
_INLINE, _REGULAR, _PREALLOCATED = 0, 1, 2
"""Of linux/btrfs_tree.h: struct btrfs_file_extent_item and its types."""


class BtrfsMap:
    """A file's map by its extent items.

    Args:
        handle: the open file; root's, as only root may search the tree.
    """

    def __init__(self, handle: int) -> None:
        self._handle = handle
        self._inode = file_status.of_handle(handle).st_ino
        self._subvolume = ioctl.btrfs_id(handle)

    @property
    def written_in_place(self) -> bool:
        """Whether the file is marked nocow, so that its map does not tell what was written."""
        return bool(ioctl.inode_flags(self._handle) & FS_NOCOW_FL)

    def extents(self, start: int, end: int) -> list[Extent]:
        """Return what lies in a range of the file now, clipped to it, in order."""
        # A snapshot between the two makes the next map another one, which is the safe way round.
        snapshot = ioctl.btrfs_last_snapshot(self._handle, self._subvolume)
        first = max(start - _LONGEST, 0)
        found = ioctl.btrfs_extent_items(self._handle, self._inode, first, end - 1)
        return joined(parse_items(found, snapshot), start, end)

    def is_shared(self, start: int, end: int) -> bool:
        """Whether another file, or another place of this one, has blocks of a range."""
        return _is_shared(self._handle, start, end)


def parse_items(items: Iterable[tuple[int, bytes]], snapshot: int = 0) -> Iterator[Extent]:
    """Understand btrfs' extent items, each with its offset in the file; holes are left out.

    Args:
        items: offset and body of each.
        snapshot: the transaction of the subvolume's newest snapshot: one that is taken later may
            keep a place and give it back, so that no place is what it was.
    """
    for offset, body in items:
        generation, length, compression, encryption, other, kind = _ITEM.unpack_from(body)
        if kind not in {_REGULAR, _PREALLOCATED}:
            yield Extent(offset, length, 0, State.UNSURE)
            continue
        place, _, skipped, length = _PLACE.unpack_from(body, _ITEM.size)
        if place:
            state = State.STORED if kind == _REGULAR else State.ZEROS
            version = (generation, place, compression, encryption, other, snapshot)
            yield Extent(offset, length, skipped - offset, state, version)
