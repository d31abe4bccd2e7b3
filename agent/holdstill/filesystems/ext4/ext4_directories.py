"""The directories of an ext2, ext3 or ext4."""

from __future__ import annotations

import stat
import struct
from typing import TYPE_CHECKING

from holdstill.errors import VerificationError
from holdstill.filesystems import file_tree
from holdstill.filesystems.ext4.ext4_inodes import ROOT

if TYPE_CHECKING:
    from collections.abc import Iterator


from holdstill.filesystems.ext4.ext4_contents import SHORT_LINK, Ext4Contents
from holdstill.filesystems.ext4.ext4_inodes import INLINE, Inode

_DIRENT = struct.Struct("<IHBB")


class Ext4Directories(Ext4Contents):
    """The names in directories, and what is at a path."""

    def directory(self, inode: Inode) -> list[tuple[bytes, int]]:
        """Return (name, inode number) of what is in a directory, in name order, without dots."""
        budget = file_tree.ReadLimit(blocks=self.blocks, logical=inode.size)
        return sorted(self.listed(inode, budget))

    def listed(self, inode: Inode, budget: file_tree.ReadLimit) -> Iterator[tuple[bytes, int]]:
        """Yield (name, inode number) of what is in a directory, as it is on disk."""
        if inode.flags & INLINE:
            # The first four bytes are the parent's number; there are no dots.
            content = self._inline_content(inode)
            yield from _names(content[4:SHORT_LINK])
            yield from _names(content[SHORT_LINK:])
            return
        size = self.superblock.block_size
        if inode.size % size or not inode.size:
            raise VerificationError(f"directory {inode.number} is not made of whole blocks")
        for chunk in self.content(inode, budget):
            for start in range(0, len(chunk), size):
                yield from _names(chunk[start : start + size])

    def _find(self, path: bytes) -> Inode | None:
        inode = self.inode(ROOT)
        for name in path.split(b"/") if path else ():
            if not stat.S_ISDIR(inode.mode):
                return None
            number = dict(self.directory(inode)).get(name)
            if number is None:
                return None
            inode = self.inode(number)
        return inode


def _names(block: bytes) -> Iterator[tuple[bytes, int]]:
    """Yield the names in one block of a directory; index nodes have the form of a free entry."""
    position, end = 0, len(block)
    while position < end:
        if position + 8 > end:
            raise VerificationError("a directory is damaged: an entry leaves its block")
        number, length, name_length, _ = _DIRENT.unpack_from(block, position)
        if length >= 0xFFFC and end == 65536:  # no room for 65536 in 16 bits
            length = 65536 if length == 0xFFFF else length
        name_end = position + 8 + name_length
        if length < 8 or length % 4 or position + length > end or name_end > position + length:
            raise VerificationError("a directory is damaged: an entry leaves its block")
        if number and name_length:
            name = block[position + 8 : name_end]
            if name not in _DOTS:
                yield name, number
        position += length


_DOTS = frozenset({b".", b".."})
