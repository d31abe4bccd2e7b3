"""The inodes of an ext2, ext3 or ext4, with their extended attributes, read from raw bytes.

Source: Linux Documentation/filesystems/ext4, Index Nodes and Extended Attributes.
"""

from __future__ import annotations

import stat
import struct
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.filesystems.ext4 import ext4_superblock
from holdstill.model.entries import new

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.filesystems.ext4.ext4_superblock import Group
    from holdstill.system.byte_source import ByteSource


ROOT = 2
"""Inode number of the root directory."""

ENCRYPTED, EXTENTS, _HUGE, INLINE = 0x800, 0x80000, 0x40000, 0x10000000
_TABLE_CHUNK = 64
"""Inodes that are read at once: neighbours in a directory are neighbours in the table, too."""
_TABLE_CHUNKS = 256
"""Pieces of inode tables that are remembered: 4 MiB with inodes of 256 bytes."""
_BASE = struct.Struct("<HHIIIIIHHIII60sIIIIHHHHI")
_EXTRA = struct.Struct("<HHII")
_PROJECT = struct.Struct("<I")
_PROJECT_AT = 0x9C - 128
"""i_projid among the bytes from 128 on."""


class Inode(NamedTuple):
    """One inode, understood.

    Attributes:
        size: bytes, of whatever kind it is.
        sectors: 512-byte units in use, its metadata included (st_blocks).
        block: the 60 bytes that locate the content, or are the content.
        rest: all bytes from 128 on.
    """

    number: int
    mode: int
    uid: int
    gid: int
    size: int
    links: int
    mtime_ns: int
    ctime_ns: int
    deleted_at: int
    sectors: int
    flags: int
    generation: int
    project: int
    attribute_block: int
    block: bytes
    rest: bytes


class Ext4Inodes:
    """The superblock, the block groups and the inodes of a file system in a source."""

    def __init__(self, source: ByteSource) -> None:
        """Read the superblock.

        Raises:
            VerificationError: there is none, or it makes no sense.
        """
        self._source = source
        try:
            raw = source.read(ext4_superblock.OFFSET, ext4_superblock.SIZE)
        except EOFError as error:
            raise VerificationError("too small for an ext4") from error
        self.superblock = ext4_superblock.parse(raw)
        self._table_chunks: dict[int, bytes] = {}
        self._attributes_of_block: tuple[int, Mapping[str, bytes]] = (0, {})

    @property
    def blocks(self) -> int:
        """Number of blocks."""
        return self.superblock.blocks

    @property
    def block_size(self) -> int:
        """Bytes of one block."""
        return self.superblock.block_size

    def block(self, number: int) -> bytes:
        """Return one block; VerificationError when it is outside."""
        if not 0 < number < self.superblock.blocks:
            raise VerificationError(f"block {number} is outside the file system")
        return self._bytes(number * self.superblock.block_size, self.superblock.block_size)

    def _bytes(self, offset: int, length: int) -> bytes:
        try:
            return self._source.read(offset, length)
        except EOFError as error:
            raise VerificationError(f"the file system is cut off before byte {offset}") from error

    @cached_property
    def _groups(self) -> list[Group]:
        try:
            return ext4_superblock.read_groups(self._source, self.superblock)
        except EOFError as error:
            raise VerificationError("the file system is cut off inside its groups") from error

    def groups(self) -> list[Group]:
        """Return every block group: where its inodes are, and how many of them are valid."""
        return self._groups

    def inode(self, number: int) -> Inode:
        """Read one inode.

        Raises:
            VerificationError: there is none of that number.
        """
        sb = self.superblock
        index, slot = divmod(number - 1, sb.inodes_per_group)
        if not 0 < number <= sb.inodes or slot >= self._groups[index].initialised:
            raise VerificationError(f"there is no inode {number}")
        chunk = self._table_chunk(index, slot // _TABLE_CHUNK)
        at = slot % _TABLE_CHUNK * sb.inode_size
        return self.parse_inode(number, chunk[at : at + sb.inode_size])

    def _table_chunk(self, index: int, chunk: int) -> bytes:
        key = index << 32 | chunk
        found = self._table_chunks.get(key)
        if found is None:
            if len(self._table_chunks) >= _TABLE_CHUNKS:
                del self._table_chunks[next(iter(self._table_chunks))]
            group, first = self._groups[index], chunk * _TABLE_CHUNK
            count = min(_TABLE_CHUNK, group.initialised - first)
            size = self.superblock.inode_size
            found = self._bytes(group.table + first * size, count * size)
            self._table_chunks[key] = found
        return found

    def parse_inode(self, number: int, raw: bytes) -> Inode:
        """Understand the bytes of an inode from the table."""
        (mode, uid, size, _, ctime, mtime, dtime, gid, links, sectors, flags, _, block,
         generation, acl, size_high, _, sectors_high, acl_high, uid_high, gid_high,
         _) = _BASE.unpack_from(raw)  # fmt: skip
        sb = self.superblock
        ctime_extra, mtime_extra = _extra_times(raw)
        if stat.S_ISREG(mode) or sb.incompat & ext4_superblock.LARGE_DIR:
            size |= size_high << 32
        if sb.ro_compat & ext4_superblock.HUGE_FILE:
            sectors |= sectors_high << 32
            if flags & _HUGE:
                sectors *= sb.block_size // 512
        if sb.incompat & ext4_superblock.SIXTY_FOUR_BIT:
            acl |= acl_high << 32
        return new(Inode, (
            number, mode, uid | uid_high << 16, gid | gid_high << 16, size, links,
            _time(mtime, mtime_extra), _time(ctime, ctime_extra), dtime, sectors, flags,
            generation, _project(raw[128:]) if sb.has_projects else 0, acl, block, raw[128:],
        ))  # fmt: skip


def _extra_times(raw: bytes) -> tuple[int, int]:
    """Return the nanoseconds and epoch bits of ctime and mtime; larger inodes only."""
    if len(raw) < 128 + _EXTRA.size:
        return 0, 0
    size, _, ctime, mtime = _EXTRA.unpack_from(raw, 128)
    return ctime if size >= 8 else 0, mtime if size >= 12 else 0


def _project(rest: bytes) -> int:
    """Return the project id; an inode without that field has that of nobody, 0."""
    if len(rest) < 2 or int.from_bytes(rest[:2], "little") < _PROJECT_AT + _PROJECT.size:
        return 0
    (project,) = _PROJECT.unpack_from(rest, _PROJECT_AT)
    return int(project)


def _time(low: int, extra: int) -> int:
    """Join a signed 32-bit second, two bits that extend it, and nanoseconds."""
    second = (low ^ 0x80000000) - 0x80000000 + ((extra & 3) << 32)
    return second * 1_000_000_000 + (extra >> 2)
