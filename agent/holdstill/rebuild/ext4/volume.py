"""A file system that is being filled: its geometry, its blocks by number, its next free ones."""

from __future__ import annotations

import os
import stat
import struct
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import TargetFailedError
from holdstill.rebuild import splice
from holdstill.rebuild.ext4 import directory, library
from holdstill.rebuild.ext4.library import BLOCK_ALLOC_FAIL, INODE_ALLOC_FAIL, LibraryError, Run
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_SUPERBLOCK_AT, _SUPERBLOCK_SIZE, _MAGIC = 1024, 1024, 0xEF53
_HAS_JOURNAL, _DIR_INDEX = 0x4, 0x20
_FILETYPE, _EXTENTS, _64BIT, _LARGE_DIR, _INLINE = 0x2, 0x40, 0x80, 0x4000, 0x8000
_GROUP_CHECKSUMS, _DIR_NLINK, _METADATA_CSUM = 0x10, 0x20, 0x400
_UNSIGNED_HASH, _UNSIGNED_SHIFT, _HASH_VERSION_MAX = 0x2, 3, 2


class Geometry(NamedTuple):
    """What the superblock says (Linux Documentation/filesystems/ext4/super.rst)."""

    block_size: int
    first_block: int
    blocks: int
    free_blocks: int
    inodes: int
    inode_size: int
    inodes_per_group: int
    compat: int
    incompat: int
    ro_compat: int
    hash_seed: bytes
    hash_version: int
    has_unsigned_hash: bool

    @property
    def has_journal(self) -> bool:
        """Whether there is a journal."""
        return bool(self.compat & _HAS_JOURNAL)

    @property
    def has_extents(self) -> bool:
        """Whether files are mapped by extents."""
        return bool(self.incompat & _EXTENTS)

    @property
    def has_inline_data(self) -> bool:
        """Whether small contents may be inside inodes."""
        return bool(self.incompat & _INLINE)

    @property
    def counts_many_directories(self) -> bool:
        """Whether a directory may have more subdirectories than a link count can say."""
        return bool(self.ro_compat & _DIR_NLINK)

    @property
    def leaves_inodes_unset(self) -> bool:
        """Whether inode tables need not be zero where no inode was ever used."""
        return bool(self.ro_compat & (_GROUP_CHECKSUMS | _METADATA_CSUM))

    @property
    def inodes_per_block(self) -> int:
        """Inodes in one block of an inode table."""
        return self.block_size // self.inode_size

    @property
    def shape(self) -> directory.Shape:
        """What its directories look like."""
        levels = 2 if self.incompat & _LARGE_DIR else 1
        return directory.Shape(
            block_size=self.block_size,
            has_checksums=bool(self.ro_compat & _METADATA_CSUM),
            has_types=bool(self.incompat & _FILETYPE),
            levels=levels if self.compat & _DIR_INDEX else -1,
        )


def parse_superblock(block: bytes) -> Geometry:
    """Understand the 1024 bytes of a superblock.

    Raises:
        TargetFailedError: it is none.
    """
    (magic,) = struct.unpack_from("<H", block, 0x38)
    if magic != _MAGIC:
        raise TargetFailedError("there is no ext4 where one was made")
    blocks_low, first_block, log_size = (
        struct.unpack_from("<I", block, at)[0] for at in (0x04, 0x14, 0x18)
    )
    compat, incompat, ro_compat = struct.unpack_from("<III", block, 0x5C)
    (blocks_high,) = struct.unpack_from("<I", block, 0x150)
    (free_low,) = struct.unpack_from("<I", block, 0x0C)
    (free_high,) = struct.unpack_from("<I", block, 0x158)
    is_64bit = bool(incompat & _64BIT)
    (flags,) = struct.unpack_from("<I", block, 0x160)
    return Geometry(
        block_size=1024 << log_size,
        first_block=first_block,
        blocks=blocks_low | (blocks_high << 32 if is_64bit else 0),
        free_blocks=free_low | (free_high << 32 if is_64bit else 0),
        inodes=struct.unpack_from("<I", block, 0x00)[0],
        inode_size=struct.unpack_from("<H", block, 0x58)[0],
        inodes_per_group=struct.unpack_from("<I", block, 0x28)[0],
        compat=compat,
        incompat=incompat,
        ro_compat=ro_compat,
        hash_seed=block[0xEC:0xFC],
        hash_version=block[0xFC],
        has_unsigned_hash=bool(flags & _UNSIGNED_HASH),
    )


class Volume:
    """A file system that is being filled. Use `opened`."""

    def __init__(
        self, handle: library.Handle, target: int, offset: int, geometry: Geometry
    ) -> None:
        self.library = handle
        self.geometry = geometry
        self._target = target
        self._offset = offset
        self._goal = geometry.first_block
        is_device = stat.S_ISBLK(os.fstat(target).st_mode)
        self._may_hold_old_inodes = is_device and geometry.leaves_inodes_unset
        self._tables: dict[int, int] = {}

    def allocate(self, count: int) -> list[Run]:
        """Take count free blocks, in as few runs as there are, always further to the end.

        Raises:
            TargetFailedError: there are not so many.
        """
        runs: list[Run] = []
        while count:
            try:
                run = self.library.allocate(self._goal, count)
            except LibraryError as error:
                if error.code != BLOCK_ALLOC_FAIL:
                    raise
                raise TargetFailedError("the ext4 has no free blocks left") from error
            self._goal = run.first + run.length
            count -= run.length
            runs.append(run)
        return runs

    def new_inode(self, *, directories: int) -> int:
        """Take the next free inode; directories is 1 when it becomes a directory, else 0.

        Raises:
            TargetFailedError: there is none.
        """
        try:
            inode = self.library.new_inode(self._last_inode)
        except LibraryError as error:
            if error.code != INODE_ALLOC_FAIL:
                raise
            raise TargetFailedError("the ext4 has no free inodes left") from error
        self._last_inode = inode
        self._clear_old_inodes(inode)
        self.library.take_inode(inode, directories=directories)
        return inode

    _last_inode = 1

    def _clear_old_inodes(self, inode: int) -> None:
        """Before the first inode of a block of the table is used: forget what the device held.

        Where groups have checksums, unused parts of the tables are never cleared by mke2fs; what
        an earlier file system left there would look like inodes.
        """
        group, number = divmod(inode - 1, self.geometry.inodes_per_group)
        if not self._may_hold_old_inodes or number % self.geometry.inodes_per_block:
            return
        if group not in self._tables:
            self._tables[group] = self.library.inode_table(group).first
        block = self._tables[group] + number // self.geometry.inodes_per_block
        self.clear(block, 0, self.geometry.block_size)

    def write(self, block: int, position: int, chunk: bytes | memoryview) -> None:
        """Write bytes at a position from the start of a block; zeroes take no space in images."""
        try:
            splice.put(self._target, self._at(block, position), chunk)
        except OSError as error:
            raise self._failed(block, position, error) from error

    def clear(self, block: int, position: int, length: int) -> None:
        """Make bytes at a position from the start of a block read as zeroes."""
        try:
            splice.clear(self._target, self._at(block, position), length)
        except OSError as error:
            raise self._failed(block, position, error) from error

    def _at(self, block: int, position: int) -> int:
        return self._offset + block * self.geometry.block_size + position

    def _failed(self, block: int, position: int, error: OSError) -> TargetFailedError:
        where = self._at(block, position)
        return TargetFailedError(
            f"cannot write to the target at byte {where}: {error.strerror}",
            hint="the card may be dying: try another one",
        )

    def hash_name(self, name: bytes) -> tuple[int, int]:
        """Return the hash of a name in an indexed directory, and its tie-breaker."""
        version = self.geometry.hash_version
        if self.geometry.has_unsigned_hash and version <= _HASH_VERSION_MAX:
            version += _UNSIGNED_SHIFT
        return self.library.hash_name(version, name, self.geometry.hash_seed)


@contextmanager
def opened(target: Path, *, offset: int) -> Iterator[Volume]:
    """Hold the file system at an offset in a file or device open for filling."""
    with files.opened(target, os.O_RDWR) as handle:
        geometry = parse_superblock(os.pread(handle, _SUPERBLOCK_SIZE, offset + _SUPERBLOCK_AT))
        with library.opened(target, offset=offset) as system:
            yield Volume(system, handle, offset, geometry)
