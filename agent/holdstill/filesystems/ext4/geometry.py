"""A file system according to its superblock (Linux Documentation/filesystems/ext4/super.rst)."""

from __future__ import annotations

import os
import struct
from typing import NamedTuple

from holdstill.errors import TargetFailedError
from holdstill.filesystems.ext4 import directory_blocks

SUPERBLOCK_AT, SUPERBLOCK_SIZE, _MAGIC = 1024, 1024, 0xEF53
_HAS_JOURNAL, _DIR_INDEX = 0x4, 0x20
_FILETYPE, _EXTENTS, _64BIT, _LARGE_DIR, _INLINE = 0x2, 0x40, 0x80, 0x4000, 0x8000
_EA_INODE = 0x400
_GROUP_CHECKSUMS, _DIR_NLINK, _METADATA_CSUM = 0x10, 0x20, 0x400
_UNSIGNED_HASH = 0x2


class Geometry(NamedTuple):
    """The contents of the superblock (Linux Documentation/filesystems/ext4/super.rst)."""

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
    def has_attribute_inodes(self) -> bool:
        """Whether large extended attributes are put into inodes, which the library takes."""
        return bool(self.incompat & _EA_INODE)

    @property
    def counts_many_directories(self) -> bool:
        """Whether a directory may have more subdirectories than a link count can represent."""
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
    def shape(self) -> directory_blocks.DirectoryLimits:
        """The limits of its directories."""
        levels = 2 if self.incompat & _LARGE_DIR else 1
        return directory_blocks.DirectoryLimits(
            block_size=self.block_size,
            has_checksums=bool(self.ro_compat & _METADATA_CSUM),
            has_types=bool(self.incompat & _FILETYPE),
            levels=levels if self.compat & _DIR_INDEX else -1,
        )


def read(handle: int, *, offset: int) -> Geometry:
    """Read the superblock of the file system at an offset in an open file or device.

    Raises:
        TargetFailedError: there is none.
    """
    return parse(os.pread(handle, SUPERBLOCK_SIZE, offset + SUPERBLOCK_AT))


def parse(block: bytes) -> Geometry:
    """Understand the 1024 bytes of a superblock.

    Raises:
        TargetFailedError: it is none.
    """
    if len(block) < SUPERBLOCK_SIZE or struct.unpack_from("<H", block, 0x38) != (_MAGIC,):
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
