"""Where the bytes of an ext2/3/4 file are: extent trees and the older block maps.

Layout: Linux Documentation/filesystems/ext4/ifork.rst. Whatever the bytes are, walking ends:
extents must grow, so that no node is met twice, and a block map may not have more nodes than the
file system has blocks.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.errors import SecurityError, VerificationError

if TYPE_CHECKING:
    from collections.abc import Generator, Iterable, Iterator

EXTENT_MAGIC = 0xF30A
DEPTH_MAX = 5
DIRECT = 12
"""Pointers of a block map that need no further block."""

_HEADER = struct.Struct("<HHHHI")
_LEAF = struct.Struct("<IHHI")
_INDEX = struct.Struct("<IIHH")
_ONLY = struct.Struct("<HHHHIIHHI")
"""A header, and a leaf after it."""
_UNWRITTEN = 32768
"""A length above this means: reserved, but reads as zeroes."""


class BlockDevice(Protocol):
    """The blocks of a file system."""

    @property
    def blocks(self) -> int:
        """Number of blocks."""

    @property
    def block_size(self) -> int:
        """Bytes of one block."""

    def block(self, number: int) -> bytes:
        """Return one block; VerificationError when it is outside."""


class FileExtent(NamedTuple):
    """Blocks of a file that are contiguous."""

    logical: int
    physical: int
    length: int


def extent_pieces(volume: BlockDevice, root: bytes) -> Iterator[FileExtent]:
    """Yield the written pieces of an extent tree, in order. root: the 60 bytes of the inode.

    Raises:
        VerificationError: it is no extent tree, or points outside the file system.
    """
    depth = _HEADER.unpack_from(root)[3]
    if depth:
        return _node(volume, root, depth, 0)
    return iter(_leaf(volume, _body(root, depth), 0)[0])


def only_piece(volume: BlockDevice, root: bytes) -> FileExtent | None:
    """Return the piece of an extent tree that is one written piece from block 0 on, else None.

    Most files have such a tree, and this takes a third of the time.
    """
    magic, count, room, depth, _, logical, length, high, low = _ONLY.unpack_from(root)
    physical = high << 32 | low
    is_one = magic == EXTENT_MAGIC and count == 1 <= room and depth == 0 == logical
    is_inside = 0 < physical <= volume.blocks - length
    return (
        FileExtent(0, physical, length)
        if is_one and is_inside and 0 < length <= _UNWRITTEN
        else None
    )


def _node(
    volume: BlockDevice, node: bytes, depth: int, floor: int
) -> Generator[FileExtent, None, int]:
    """Walk a node whose depth is known from above; return the first logical block after it."""
    body = _body(node, depth)
    if depth == 0:
        pieces, floor = _leaf(volume, body, floor)
        yield from pieces
        return floor
    for logical, low, high, _ in _INDEX.iter_unpack(body):
        if logical < floor:
            raise VerificationError("an extent tree is damaged: out of order")
        below = volume.block(high << 32 | low)
        end = yield from _node(volume, below, depth - 1, logical)
        if end == logical:
            raise VerificationError("an extent tree is damaged: an empty node")
        floor = end
    return floor


def _body(node: bytes, depth: int) -> bytes:
    """Return what a node of this depth holds."""
    magic, count, room, found_depth, _ = _HEADER.unpack_from(node)
    good = magic == EXTENT_MAGIC and count <= room and depth == found_depth <= DEPTH_MAX
    if not good or 12 * (count + 1) > len(node):
        raise VerificationError("an extent tree is damaged: no node where one must be")
    return node[12 : 12 * (count + 1)]


def _leaf(volume: BlockDevice, body: bytes, floor: int) -> tuple[list[FileExtent], int]:
    """Return the written pieces of a leaf, and the first logical block behind them."""
    blocks, pieces = volume.blocks, []
    for logical, length, high, low in _LEAF.iter_unpack(body):
        physical = high << 32 | low
        count = length if length <= _UNWRITTEN else length - _UNWRITTEN
        if logical < floor or not count:
            raise VerificationError("an extent tree is damaged: out of order")
        if not 0 < physical <= blocks - count:
            raise VerificationError("an extent tree is damaged: it points outside")
        floor = logical + count
        if length <= _UNWRITTEN:
            pieces.append(FileExtent(logical, physical, count))
    return pieces, floor


def map_pieces(volume: BlockDevice, root: bytes, needed: int) -> Iterator[FileExtent]:
    """Yield the pieces of a block map, in order, up to this many logical blocks.

    Raises:
        VerificationError: it points outside the file system.
        SecurityError: it has more nodes than there are blocks.
    """
    return _joined(_MapWalk(volume, needed).pieces(struct.unpack("<15I", root)))


def _joined(pieces: Iterable[FileExtent]) -> Iterator[FileExtent]:
    """Join single blocks that are contiguous, so that they are read at once."""
    held: FileExtent | None = None
    for piece in pieces:
        if held is not None:
            length = held.length
            together = piece.logical == held.logical + length
            if together and piece.physical == held.physical + length:
                held = FileExtent(held.logical, held.physical, length + piece.length)
                continue
            yield held
        held = piece
    if held is not None:
        yield held


class _MapWalk:
    """One walk through a block map."""

    def __init__(self, volume: BlockDevice, needed: int) -> None:
        self._volume = volume
        self._needed = needed
        self._fan = volume.block_size // 4
        self._nodes = 0

    def pieces(self, pointers: tuple[int, ...]) -> Iterator[FileExtent]:
        yield from self._below(pointers[:DIRECT], level=0, logical=0)
        logical = DIRECT
        for level, pointer in enumerate(pointers[DIRECT:], start=1):
            yield from self._below((pointer,), level=level, logical=logical)
            logical += self._fan**level

    def _below(
        self, pointers: tuple[int, ...], *, level: int, logical: int
    ) -> Iterator[FileExtent]:
        """Yield what the pointers lead to; each covers fan to the power of level blocks."""
        span = self._fan**level
        for pointer in pointers:
            if logical >= self._needed:
                return
            if pointer and level == 0:
                yield self._data(logical, pointer)
            elif pointer:
                yield from self._below(self._node(pointer), level=level - 1, logical=logical)
            logical += span

    def _data(self, logical: int, pointer: int) -> FileExtent:
        if pointer >= self._volume.blocks:
            raise VerificationError("a block map is damaged: it points outside")
        return FileExtent(logical, pointer, 1)

    def _node(self, pointer: int) -> tuple[int, ...]:
        self._nodes += 1
        if self._nodes > self._volume.blocks:
            raise SecurityError("a block map has more nodes than the file system has blocks")
        return struct.unpack(f"<{self._fan}I", self._volume.block(pointer))
