"""A file system that is being filled: its geometry, its free blocks and inodes, its bytes."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.filesystems.ext4 import geometry, libext2fs, output
from holdstill.filesystems.ext4.block_allocator import BlockAllocator
from holdstill.filesystems.ext4.libext2fs import INODE_ALLOC_FAIL, LibraryError
from holdstill.filesystems.ext4.output import Output
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.filesystems.ext4.geometry import Geometry
    from holdstill.filesystems.ext4.libext2fs import BlockRun

_UNSIGNED_SHIFT, _HASH_VERSION_MAX = 3, 2


class Ext4Volume:
    """A file system in a scratch file, whose contents go to a target. Use `opened`."""

    def __init__(
        self,
        handle: libext2fs.Ext2FileSystem,
        scratch: int,
        output: Output,
        offset: int,
        shape: Geometry,
    ) -> None:
        self.library = handle
        self._scratch = scratch
        self.geometry = shape
        self._offset = offset
        self._block = shape.block_size
        self._output = output
        self._room = BlockAllocator(handle, first_block=shape.first_block, blocks=shape.blocks)
        self._last_inode, self._last_free = 1, 0

    def allocate(self, count: int) -> list[BlockRun]:
        """Take free blocks for a content, in as few runs as there are.

        Raises:
            TargetFailedError: there are not enough.
        """
        return self._room.allocate(count)

    def allocate_in_scratch(self) -> int:
        """Take one free block for what is no content, such as names in a directory.

        Raises:
            TargetFailedError: there is none.
        """
        return self._room.take_in_scratch()

    def write_in_scratch(self, block: int, content: bytes) -> None:
        """Write a block that was taken there; what is behind the content becomes zeroes."""
        padded = content.ljust(self._block, b"\0")
        try:
            sparse_copy.write_all_at(self._scratch, block * self._block, padded)
        except OSError as error:
            raise LibraryError("pwrite", error.errno or 0, str(error.strerror)) from error

    def new_inode(self, *, directories: int) -> int:
        """Take the next free inode; directories is 1 when it becomes a directory, else 0.

        Raises:
            TargetFailedError: there is none.
        """
        inode = self._last_inode + 1
        if inode > self._last_free:
            inode = self._first_free(self._last_inode)
            if not self.geometry.has_attribute_inodes:
                group = (inode - 1) // self.geometry.inodes_per_group
                self._last_free = (group + 1) * self.geometry.inodes_per_group
        self._last_inode = inode
        self.library.take_inode(inode, directories=directories)
        return inode

    def _first_free(self, near: int) -> int:
        """Query the library; all behind it in its group are free, too, if it takes none itself."""
        try:
            return self.library.new_inode(near)
        except LibraryError as error:
            if error.code != INODE_ALLOC_FAIL:
                raise
            raise libext2fs.used_up("inodes") from error

    def place(self, block: int) -> int:
        """Return at which byte of the target a block is."""
        return self._offset + block * self._block

    def write(self, block: int, position: int, chunk: bytes | memoryview) -> None:
        """Write bytes of a content at a position from the start of a block."""
        self._output.write(self.place(block) + position, chunk)

    def clear(self, block: int, position: int, length: int) -> None:
        """Make bytes at a position from the start of a block read as zeroes."""
        self._output.clear(self.place(block) + position, length)

    def finish(self) -> None:
        """Write what was collected, and release what was not used."""
        self._output.finish()
        self._room.give_back()

    def contents(self) -> list[BlockRun]:
        """Return the blocks that were taken for contents, sorted."""
        return self._room.contents()

    def hash_name(self, name: bytes) -> tuple[int, int]:
        """Return the hash of a name in an indexed directory, and its tie-breaker."""
        version = self.geometry.hash_version
        if self.geometry.has_unsigned_hash and version <= _HASH_VERSION_MAX:
            version += _UNSIGNED_SHIFT
        return self.library.hash_name(version, name, self.geometry.hash_seed)


@contextmanager
def opened(scratch: Path, target: Path, *, offset: int) -> Iterator[Ext4Volume]:
    """Hold the file system in a scratch file open for filling.

    Its contents go to a target, in which it will begin at an offset.
    """
    with files.opened(scratch, os.O_RDWR) as own, files.opened(target, os.O_RDWR) as handle:
        shape = geometry.read(own, offset=0)
        with (
            libext2fs.opened(scratch) as system,
            output.writer(handle, target) as pieces,
            ThreadPoolExecutor(1, thread_name_prefix="write") as thread,
        ):
            volume = Ext4Volume(system, own, Output(handle, pieces, thread), offset, shape)
            yield volume
            volume.finish()
