"""Writing a directory's names into its blocks: as a list, or as an index when they are many."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

from holdstill.filesystems.ext4 import directory_blocks, file_layout
from holdstill.filesystems.ext4.directory_blocks import Branch, Name
from holdstill.filesystems.ext4.libext2fs import BlockRun

if TYPE_CHECKING:
    from holdstill.filesystems.ext4.directory_entries import DirectoryEntries
    from holdstill.filesystems.ext4.libext2fs import Extent
    from holdstill.filesystems.ext4.volume import Ext4Volume


class DirectoryWriter:
    """Writes the blocks of one directory."""

    def __init__(self, filled: Ext4Volume, own: int, parent: int) -> None:
        self._volume = filled
        self._shape = filled.geometry.shape
        self._own, self._parent = own, parent
        self.extents: list[Extent] = []
        """Where the blocks are, once they are written."""
        self._count = 0

    def write(self, names: DirectoryEntries, *, least: int) -> bool:
        """Write all blocks; return whether they are an index.

        A list that does not fit one block becomes an index, as the kernel would make it.
        """
        most = names.size // (self._shape.room // 2) + 1
        if names.size <= self._shape.room or most > self._shape.leaves_max:
            dots = [Name(b".", self._own, 2), Name(b"..", self._parent, 2)]
            for block in directory_blocks.linear(chain(dots, names.in_order()), self._shape):
                self._append(block)
            while self._count < least:
                self._append(directory_blocks.encode([], self._shape))
            return False
        root = self._reserve()
        branches = []
        for leaf in directory_blocks.leaves(names.by_hash(), self._shape):
            branches.append(Branch(leaf.hash, self._count))
            self._append(leaf.block)
        version = self._volume.geometry.hash_version
        top, nodes = directory_blocks.index_blocks(
            branches, self._own, self._parent, self._shape, version
        )
        for node in nodes:
            self._append(node)
        self._volume.library.write_directory_block(self._own, root, top)
        return True

    def _append(self, block: bytes) -> None:
        self._volume.library.write_directory_block(self._own, self._reserve(), block)

    def _reserve(self) -> int:
        block = self._volume.allocate_in_scratch()
        file_layout.add(self.extents, self._count, BlockRun(block, 1))
        self._count += 1
        return block
