"""The blocks of a directory: a list of names, or an index over such lists by hash. Pure.

Layouts: Linux Documentation/filesystems/ext4/directory.rst, "Linear (Classic) Directories" and
"Hash Tree Directories". Checksums are left to the library.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

_HEADER = 8
_CHECKSUM_TAIL = 12
_INDEX_ENTRY, _INDEX_TAIL = 8, 8
_ROOT_ENTRIES_AT, _NODE_ENTRIES_AT = 32, 8
_DIRECTORY = 2
FULLNESS = 0.85
"""How full leaves of an index are made: names that come later must not split every leaf."""


class Name(NamedTuple):
    """One name in a directory; type is the value of EntryType."""

    name: bytes
    inode: int
    type: int


class DirectoryLimits(NamedTuple):
    """What the file system's features define about its directories.

    Attributes:
        has_checksums: every block ends in one.
        has_types: names carry their type.
        levels: nodes between the root of an index and its leaves, at most; -1 = no index.
    """

    block_size: int
    has_checksums: bool
    has_types: bool
    levels: int

    @property
    def room(self) -> int:
        """Bytes of a block that names can take."""
        return self.block_size - (_CHECKSUM_TAIL if self.has_checksums else 0)

    @property
    def root_entries(self) -> int:
        """Entries in the root of an index."""
        return self._entries(_ROOT_ENTRIES_AT)

    @property
    def node_entries(self) -> int:
        """Entries in any other node of an index."""
        return self._entries(_NODE_ENTRIES_AT)

    def _entries(self, at: int) -> int:
        tail = _INDEX_TAIL if self.has_checksums else 0
        return (self.block_size - at - tail) // _INDEX_ENTRY

    @property
    def leaves_max(self) -> int:
        """Leaves that an index can have."""
        if self.levels < 0:
            return 0
        return int(self.root_entries * self.node_entries**self.levels)


def record_size(name: bytes) -> int:
    """Return the bytes that a name takes at least."""
    return (_HEADER + len(name) + 3) & ~3


DOTS_SIZE = record_size(b".") + record_size(b"..")


def linear(names: Iterable[Name], shape: DirectoryLimits) -> Iterator[bytes]:
    """Yield the blocks of a plain list of names, `.` and `..` included; at least one block."""
    block: list[Name] = []
    used = 0
    for name in names:
        size = record_size(name.name)
        if used + size > shape.room:
            yield encode(block, shape)
            block, used = [], 0
        block.append(name)
        used += size
    yield encode(block, shape)


def encode(names: list[Name], shape: DirectoryLimits) -> bytes:
    """Write one block; the last name's record reaches to the end."""
    block = bytearray(shape.block_size)
    position = 0
    for name in names[:-1]:
        position = _put(block, position, name, record_size(name.name), shape)
    last = names[-1] if names else Name(b"", 0, 0)
    _put(block, position, last, shape.room - position, shape)
    if shape.has_checksums:
        struct.pack_into("<IHBBI", block, shape.room, 0, _CHECKSUM_TAIL, 0, 0xDE, 0)
    return bytes(block)


def _put(block: bytearray, position: int, name: Name, size: int, shape: DirectoryLimits) -> int:
    kind = name.type if shape.has_types else 0
    # A record of 64 KiB does not fit its 16 bits; nor need it.
    length = 0xFFFF if size == shape.block_size == 1 << 16 else size
    struct.pack_into("<IHBB", block, position, name.inode, length, len(name.name), kind)
    start = position + _HEADER
    block[start : start + len(name.name)] = name.name
    return position + size


class Hashed(NamedTuple):
    """A name with its hash and tie-breaker; they sort in the order of an index."""

    hash: int
    minor: int
    name: Name


class Leaf(NamedTuple):
    """A leaf of an index: the least hash in it, and its block's content.

    Attributes:
        hash: with the lowest bit set when the previous leaf ends with the same hash.
    """

    hash: int
    block: bytes


def leaf_limit(shape: DirectoryLimits) -> int:
    """Return the bytes of names that go into one leaf."""
    return max(int(shape.room * FULLNESS), record_size(b"n" * 255))


def leaves(names: Iterable[Hashed], shape: DirectoryLimits) -> Iterator[Leaf]:
    """Yield the leaves for names in the order of their hashes; `.` and `..` are in the root."""
    limit = leaf_limit(shape)
    block: list[Name] = []
    used, first, last = 0, 0, -1
    for item in names:
        size = record_size(item.name.name)
        if used + size > limit:
            yield Leaf(first, encode(block, shape))
            block, used = [], 0
            first = item.hash | 1 if item.hash == last else item.hash
        block.append(item.name)
        used += size
        last = item.hash
    yield Leaf(first, encode(block, shape))


class Branch(NamedTuple):
    """An entry of an index: names from this hash on are below this block of the directory."""

    hash: int
    logical: int


def index_blocks(
    branches: list[Branch], own: int, parent: int, shape: DirectoryLimits, hash_version: int
) -> tuple[bytes, list[bytes]]:
    """Return the root of an index, and the nodes that come behind the leaves, in order.

    The leaves are the directory's blocks from 1 on, in order of their hashes.
    """
    nodes: list[bytes] = []
    levels = 0
    while len(branches) > shape.root_entries:
        logical = 1 + len(branches) if not nodes else branches[-1].logical + 1
        above: list[Branch] = []
        for start in range(0, len(branches), shape.node_entries):
            part = branches[start : start + shape.node_entries]
            above.append(Branch(part[0].hash, logical + len(above)))
            block = bytearray(shape.block_size)
            _put(block, 0, Name(b"", 0, 0), shape.block_size, shape)
            _put_branches(block, _NODE_ENTRIES_AT, part, shape.node_entries)
            node = bytes(block)
            nodes.append(node)
        branches = above
        levels += 1
    block = bytearray(shape.block_size)
    dots_at = _put(block, 0, Name(b".", own, _DIRECTORY), record_size(b"."), shape)
    _put(block, dots_at, Name(b"..", parent, _DIRECTORY), shape.block_size - dots_at, shape)
    struct.pack_into("<IBBBB", block, DOTS_SIZE, 0, hash_version, 8, levels, 0)
    _put_branches(block, _ROOT_ENTRIES_AT, branches, shape.root_entries)
    root = bytes(block)
    return root, nodes


def _put_branches(block: bytearray, position: int, branches: list[Branch], limit: int) -> None:
    """The first entry needs no hash: limit and count are stored in its place."""
    struct.pack_into("<HHI", block, position, limit, len(branches), branches[0].logical)
    for number, branch in enumerate(branches[1:], start=1):
        struct.pack_into("<II", block, position + number * _INDEX_ENTRY, *branch)


def index_node_count(leaf_count: int, shape: DirectoryLimits) -> int:
    """Return how many nodes an index with this many leaves has besides its root."""
    nodes, width = 0, leaf_count
    while width > shape.root_entries:
        width = -(-width // shape.node_entries)
        nodes += width
    return nodes


class Counter:
    """Counts the blocks of a directory from its names alone, hashes unknown.

    The order of hashes decides how names share the leaves of an index; counting in any other
    order is as good as exact, and one leaf more is assumed for every hundred.
    """

    def __init__(self, shape: DirectoryLimits) -> None:
        self._shape = shape
        self._limit = leaf_limit(shape)
        self._list = _Greedy(shape.room, DOTS_SIZE)
        self._leaves = _Greedy(self._limit, 0)
        self.count = 0

    def add(self, name: bytes) -> None:
        """Add a name."""
        size = record_size(name)
        self.count += 1
        self._list.add(size)
        self._leaves.add(size)

    def blocks(self) -> int:
        """Return how many blocks the directory has."""
        if self._list.blocks == 1 or self._shape.levels < 0:
            return self._list.blocks
        leaf_count = self._leaves.blocks + self._leaves.blocks // 100
        return 1 + leaf_count + index_node_count(leaf_count, self._shape)


class _Greedy:
    """Blocks that are filled one after the other."""

    def __init__(self, room: int, used: int) -> None:
        self._room, self._used = room, used
        self.blocks = 1

    def add(self, size: int) -> None:
        if self._used + size > self._room:
            self.blocks += 1
            self._used = 0
        self._used += size
