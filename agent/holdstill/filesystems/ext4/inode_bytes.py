"""The bytes of an inode, without its blocks and checksum. Pure.

Offsets are those of struct ext4_inode: Linux Documentation/filesystems/ext4/inodes.rst.
"""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING, NamedTuple

from holdstill.model.entries import KEPT_FLAGS, EntryType

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from holdstill.model.entries import Entry

EXTENTS_FLAG, INDEX_FLAG, INLINE_FLAG = 0x80000, 0x1000, 0x10000000
OLD_SIZE, EXTRA_SIZE = 128, 32
"""Bytes of an inode of ext2, and of what ext4 adds as fields."""
FAST_SYMLINK_MAX = 59
"""Bytes of a symlink that fit into the inode itself, with a terminating NUL."""
EXTENTS_IN_INODE = 4
LINKS_MAX = 65000
LINKS, BLOCKS, FLAGS, MAP, SIZE_HIGH, BLOCKS_HIGH = 26, 28, 32, 40, 108, 116
SIZE_LOW = 4
_EXTENT_MAGIC, _EXTENT_LENGTH_MAX = 0xF30A, 32768
_NANOSECONDS = 10**9

EARLIEST = -(2**31)
LATEST_OLD, LATEST = 2**31 - 1, 2**31 - 1 + 3 * 2**32
"""Seconds of the last moment in an inode of 128 bytes, and in a larger one (year 2446)."""
DOUBTED = 2**31 + 2 * 2**32
"""Second (in 2310) from which on e2fsck takes a date for a mistake and moves it before 1970."""


class Blocks(NamedTuple):
    """What an inode contains about its blocks.

    Attributes:
        size: bytes of the content.
        sectors: blocks in units of 512 bytes, those of the map included.
        map: the 60 bytes that begin the map, or what is there instead of one.
        flags: EXTENTS_FLAG when the map is an extent tree.
    """

    size: int = 0
    sectors: int = 0
    map: bytes = b""
    flags: int = 0


_BASE = struct.Struct("<HHIIIIIHHIII60sIIIIHHHHHH")
"""i_mode to l_i_reserved: the 128 bytes of ext2."""
_EXTRA = struct.Struct("<HHIIIIIII")
"""i_extra_isize to i_projid."""


def encode(entry: Entry, blocks: Blocks, *, size: int, links: int) -> bytes:
    """Write the inode of an entry in size bytes."""
    seconds, extra = time_fields(entry.mtime_ns, size)
    length, sectors, uid, gid = blocks.size, blocks.sectors, entry.uid, entry.gid
    base = _BASE.pack(
        entry.type.format_bits | entry.mode, uid & 0xFFFF, length & 0xFFFFFFFF,
        seconds, seconds, seconds, 0, gid & 0xFFFF, links, sectors & 0xFFFFFFFF,
        _flags(entry) | blocks.flags, 0, blocks.map, 0, 0, length >> 32, 0,
        sectors >> 32, 0, uid >> 16, gid >> 16, 0, 0,
    )  # fmt: skip
    if size <= OLD_SIZE:
        return base
    fields = _EXTRA.pack(EXTRA_SIZE, 0, extra, extra, extra, seconds, extra, 0, entry.project)
    return (base + fields).ljust(size, b"\0")


def _flags(entry: Entry) -> int:
    """Only what people set may come from an index; the rest describes this inode's own layout."""
    if entry.flags and entry.type in {EntryType.FILE, EntryType.DIRECTORY}:
        return entry.flags & KEPT_FLAGS
    return 0


def time_fields(mtime_ns: int, size: int) -> tuple[int, int]:
    """Return a moment as the low 32 bits of its seconds and as the extra field.

    A time that an inode of this size cannot represent becomes the nearest that it can.
    """
    latest = LATEST if size > OLD_SIZE else LATEST_OLD
    seconds, nanoseconds = divmod(mtime_ns, _NANOSECONDS)
    seconds = min(max(seconds, EARLIEST), latest)
    epoch = (seconds + 2**31) >> 32
    return seconds & 0xFFFFFFFF, nanoseconds << 2 | epoch


def time_is_kept(mtime_ns: int, size: int) -> bool:
    """Return whether an inode of this size can represent this time."""
    seconds, nanoseconds = divmod(mtime_ns, _NANOSECONDS)
    if size > OLD_SIZE:
        return EARLIEST <= seconds <= LATEST
    return EARLIEST <= seconds <= LATEST_OLD and nanoseconds == 0


def extent_header(extents: Sequence[tuple[int, int, int, bool]]) -> bytes:
    """Write a map of at most four extents: (logical, physical, length, is written).

    More than four do not fit: the result is an empty map, for the library to fill.
    """
    if len(extents) == 1:  # as of nearly every file
        return _ONE_EXTENT + _extent(*extents[0])
    if len(extents) > EXTENTS_IN_INODE:
        extents = []
    header = _EXTENT_HEADER.pack(_EXTENT_MAGIC, len(extents), EXTENTS_IN_INODE, 0, 0)
    return header + b"".join([_extent(*extent) for extent in extents])


_EXTENT_HEADER, _EXTENT = struct.Struct("<HHHHI"), struct.Struct("<IHHI")
_ONE_EXTENT = _EXTENT_HEADER.pack(_EXTENT_MAGIC, 1, EXTENTS_IN_INODE, 0, 0)


def _extent(logical: int, physical: int, length: int, is_written: bool) -> bytes:  # noqa: FBT001
    stored = length if is_written else length + _EXTENT_LENGTH_MAX
    return _EXTENT.pack(logical, stored, physical >> 32, physical & 0xFFFFFFFF)


def device_map(rdev: int) -> bytes:
    """Write a device number where a map would be: old form if it fits, else new (kdev_t.h)."""
    major, minor = os.major(rdev), os.minor(rdev)
    if major < 256 and minor < 256:
        return struct.pack("<II", major << 8 | minor, 0)
    return struct.pack("<II", 0, (minor & 0xFF) | major << 8 | (minor & ~0xFF) << 12)


def links_of(inode: bytes | bytearray) -> int:
    """Return how many names an inode has."""
    (links,) = struct.unpack_from("<H", inode, LINKS)
    return int(links)


def with_links(inode: bytearray, links: int) -> bytes:
    """Return the inode with another number of names."""
    struct.pack_into("<H", inode, LINKS, links)
    return bytes(inode)


def sectors_of(inode: bytes | bytearray) -> int:
    """Return the low 32 bits of the sectors that an inode has."""
    (sectors,) = struct.unpack_from("<I", inode, BLOCKS)
    return int(sectors)


def with_sectors(inode: bytearray, sectors: int) -> bytes:
    """Return the inode with another number of sectors, below 2 TiB."""
    struct.pack_into("<I", inode, BLOCKS, sectors)
    return bytes(inode)


def is_inline(inode: bytes | bytearray) -> bool:
    """Return whether an inode's content is inside it."""
    (flags,) = struct.unpack_from("<I", inode, FLAGS)
    return bool(flags & INLINE_FLAG)


def as_directory(inode: bytearray, blocks: Blocks, links: int) -> bytes:
    """Return the inode of a directory that had no blocks with these."""
    (flags,) = struct.unpack_from("<I", inode, FLAGS)
    struct.pack_into("<I", inode, SIZE_LOW, blocks.size)
    struct.pack_into("<I", inode, BLOCKS, sectors_of(inode) + blocks.sectors)
    struct.pack_into("<I", inode, FLAGS, flags | blocks.flags)
    inode[MAP : MAP + 60] = blocks.map.ljust(60, b"\0")
    return with_links(inode, links)


_PREFIXES = ("user.", "trusted.", "security.", "system.")
_ACLS = ("system.posix_acl_access", "system.posix_acl_default")
_NAMED_ACL_TAGS = (2, 8)
XATTR_ENTRY, XATTR_BLOCK_HEADER = 16, 32
_XATTR_BODY_OVERHEAD, _XATTR_BLOCK_OVERHEAD = 8, XATTR_BLOCK_HEADER + 4


def xattr_size(name: str, value: bytes) -> int:
    """Return the bytes that an extended attribute in kernel form takes on disk."""
    stored = len(value)
    if name in _ACLS:
        # Disk form: a header of 4 bytes, then 8 bytes for named users and groups and 4 for
        # others.
        tags = [struct.unpack_from("<H", value, at)[0] for at in range(4, len(value) - 7, 8)]
        acl_size = 4 + sum(8 if tag in _NAMED_ACL_TAGS else 4 for tag in tags)
        name, stored = "", acl_size
    prefix = next((prefix for prefix in _PREFIXES if name.startswith(prefix)), "")
    return XATTR_ENTRY + _padded(len(os.fsencode(name)) - len(prefix)) + _padded(stored)


def _padded(length: int) -> int:
    return (length + 3) & ~3


class Packing(NamedTuple):
    """Where extended attributes go.

    Attributes:
        order: in this order the library puts each where it belongs.
        in_block: bytes of those that need a separate block; 0 = no block is needed.
    """

    order: list[tuple[str, bytes]]
    in_block: int


def pack_xattrs(xattrs: Mapping[str, bytes], *, inode_size: int) -> Packing:
    """Choose which attributes go into the inode, so that as few bytes as possible do not.

    The library fills the inode first with whatever fits, in the order it is given; in a bad order
    a set that fits as a whole does not.
    """
    room = max(inode_size - OLD_SIZE - EXTRA_SIZE - _XATTR_BODY_OVERHEAD, 0)
    sizes = {name: xattr_size(name, value) for name, value in sorted(xattrs.items())}
    best: dict[int, tuple[str, ...]] = {0: ()}
    for name, size in sizes.items():
        for total, chosen in sorted(best.items(), reverse=True):
            if total + size <= room:
                best.setdefault(total + size, (*chosen, name))
    inside = best[max(best)]
    outside = [name for name in sizes if name not in inside]
    order = [(name, xattrs[name]) for name in (*inside, *outside)]
    return Packing(order, sum(sizes[name] for name in outside))


def xattr_block_room(block_size: int) -> int:
    """Return the bytes of extended attributes that fit into a block."""
    return block_size - _XATTR_BLOCK_OVERHEAD


def needs_block(entry: Entry) -> bool:
    """Return whether a symlink is too long for its inode."""
    return entry.type is EntryType.SYMLINK and len(entry.target) > FAST_SYMLINK_MAX
