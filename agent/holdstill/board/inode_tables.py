"""The inode tables of a mounted ext4, read from its block device past the kernel's inode cache.

The device must be the one that is mounted (a partition, not the whole disk at an offset): only
then do we share ext4's own buffers, and see a change as soon as ext4 has noted it.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import LayoutError, VerificationError
from holdstill.filesystems.ext4 import ext4_superblock, ext4_xattrs
from holdstill.filesystems.ext4.ext4_inodes import ROOT

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.filesystems.ext4.ext4_superblock import Group, Superblock
    from holdstill.system.byte_source import ByteSource

BLOCK = 4096
"""Bytes that are read at once for one inode: its neighbours are likely to be wanted next."""
CHUNK = 1 << 17
"""Bytes of a table that are read at once: larger buffers are new memory every time, which costs
more than the reading (5 ms against 30 for 143,000 inodes)."""
_LASTCHECK = 0x40
"""Place of s_lastcheck in the superblock: the moment of the last full e2fsck."""
_CTIME, _CTIME_EXTRA = 0x0C, 0x84
_BASE = struct.Struct("<H10xI10xH4xI64xII10xH")
_EXTRA = struct.Struct("<HHI")
_PROJECT = 0x9C
"""Place of i_projid, which is there if i_extra_isize reaches behind it."""


class Facts(NamedTuple):
    """What lstat(2) does not return of an inode, or returns only at a cost.

    Attributes:
        mode: with the type; 0 for one that is free.
        links: names; 0 for one that is deleted.
        flags: as FS_IOC_GETFLAGS gives them, and more.
        has_xattrs: False only if there is not one extended attribute or ACL.
        project: its project id; 0 where the file system has none.
    """

    mode: int
    links: int
    ctime_ns: int
    generation: int
    flags: int
    has_xattrs: bool
    project: int = 0


class Times(NamedTuple):
    """When the inodes of one group last changed, as in the table, in native byte order.

    Attributes:
        first: number of the first inode.
        seconds: a 32-bit word for each inode.
        fractions: another one, the nanoseconds; empty where inodes have 128 bytes.
    """

    first: int
    seconds: bytes
    fractions: bytes


class InodeTables:
    """All inodes of one mounted file system."""

    def __init__(self, source: ByteSource) -> None:
        """Read the superblock.

        Raises:
            VerificationError: there is none.
            LayoutError: its inodes cannot be followed.
        """
        self._source = source
        self.superblock = read_superblock(source)
        self._groups = ext4_superblock.read_groups(source, self.superblock)
        self._block = b""
        self._block_at = -1

    def has_names(self, number: int) -> bool:
        """Whether an inode can be in a directory: the others are the file system's own."""
        return number >= self.superblock.first_inode or number == ROOT

    def last_check(self) -> int:
        """Return when e2fsck last went over it: that may change files without their ctime."""
        raw = self._source.read(ext4_superblock.OFFSET + _LASTCHECK, 4)
        return int.from_bytes(raw, "little")

    def times(self) -> Iterator[Times]:
        """Read all tables, once through, and yield when the inodes last changed.

        Raises:
            VerificationError: they cannot be read, or make no sense.
        """
        self.superblock = read_superblock(self._source)  # it may be resized while it is mounted
        self._groups = ext4_superblock.read_groups(self._source, self.superblock)
        self._block_at = -1
        for group in self._groups:
            if group.initialised:
                yield self._times(group)

    def _times(self, group: Group) -> Times:
        size = self.superblock.inode_size
        at, left = group.table, group.initialised * size
        seconds, fractions = [], []
        while left:
            step = min(CHUNK, left)
            words = memoryview(self._read(at, step)).cast("I")
            seconds.append(words[_CTIME // 4 :: size // 4].tobytes())
            if size > 128:
                fractions.append(words[_CTIME_EXTRA // 4 :: size // 4].tobytes())
            at, left = at + step, left - step
        return Times(group.first_inode, b"".join(seconds), b"".join(fractions))

    def _read(self, at: int, length: int) -> bytes:
        try:
            return self._source.read(at, length)
        except OSError as error:
            raise VerificationError(
                f"the inode tables cannot be read, from byte {at}: {error.strerror}",
                hint="the card may be dying: copy what matters while it can be read",
            ) from error

    def facts(self, number: int) -> Facts | None:
        """Read inode `number` from the table; None when there is no such inode."""
        raw = self._inode(number)
        if raw is None:
            return None
        return _parse(raw, has_projects=self.superblock.has_projects)

    def forget(self) -> None:
        """Read again, whatever was read before."""
        self._block_at = -1

    def _inode(self, number: int) -> bytes | None:
        at = self._place(number)
        if at is None:
            return None
        block = at - at % BLOCK
        if block != self._block_at:
            self._block = self._source.read(block, min(BLOCK, self._source.size - block))
            self._block_at = block
        return self._block[at - block : at - block + self.superblock.inode_size]

    def _place(self, number: int) -> int | None:
        index, slot = divmod(number - 1, self.superblock.inodes_per_group)
        if not 0 < number <= self.superblock.inodes:
            return None
        group = self._groups[index]
        if slot >= group.initialised:
            # It may have come into use since the descriptors were read.
            self._groups = ext4_superblock.read_groups(self._source, self.superblock)
            group = self._groups[index]
        if slot >= group.initialised:
            return None
        return group.table + slot * self.superblock.inode_size


def read_superblock(source: ByteSource) -> Superblock:
    """Read the superblock of an ext2, ext3 or ext4.

    Raises:
        VerificationError: there is none, or it makes no sense.
        LayoutError: its inodes cannot be followed.
    """
    try:
        raw = source.read(ext4_superblock.OFFSET, ext4_superblock.SIZE)
    except EOFError as error:
        raise VerificationError("too small for an ext4") from error
    found = ext4_superblock.parse(raw)
    if not 128 <= found.inode_size <= BLOCK or found.incompat & ext4_superblock.JOURNAL_DEV:
        raise LayoutError(f"an ext4 with inodes of {found.inode_size} bytes cannot be followed")
    return found


def _parse(raw: bytes, *, has_projects: bool) -> Facts:
    mode, ctime, links, flags, generation, acl_low, acl_high = _BASE.unpack_from(raw)
    second = (ctime ^ 0x80000000) - 0x80000000
    ctime_ns, inner, project = second * 1_000_000_000, False, 0
    if len(raw) > 128:
        extra_size, _, extra = _EXTRA.unpack_from(raw, 128)
        start = 128 + extra_size
        inner = raw[start : start + 4] == ext4_xattrs.MAGIC
        if extra_size >= 8:
            ctime_ns = (second + ((extra & 3) << 32)) * 1_000_000_000 + (extra >> 2)
        if has_projects and start >= _PROJECT + 4:
            project = int.from_bytes(raw[_PROJECT : _PROJECT + 4], "little")
    has_xattrs = bool(acl_low or acl_high or inner)
    return Facts(mode, links, ctime_ns, generation, flags, has_xattrs, project)
