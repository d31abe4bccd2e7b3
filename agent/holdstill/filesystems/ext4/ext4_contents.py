"""The contents of an ext2, ext3 or ext4: of files, of symlinks, and of large attributes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import LayoutError, VerificationError
from holdstill.filesystems import file_tree, hash_worker
from holdstill.filesystems.ext4 import ext4_file_map, ext4_xattrs
from holdstill.filesystems.hash_worker import Hole, SourceSpan
from holdstill.model import paths

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from holdstill.filesystems.ext4.ext4_file_map import FileExtent
    from holdstill.filesystems.hash_worker import Part

from holdstill.filesystems.ext4.ext4_inodes import ENCRYPTED, EXTENTS, INLINE, Ext4Inodes, Inode

_CHUNK = 1 << 20
_ZEROES = bytes(_CHUNK)
SHORT_LINK = 60


class Ext4Contents(Ext4Inodes):
    """Where the bytes of an inode are, and what they are."""

    def xattrs(self, inode: Inode) -> Mapping[str, bytes]:
        """Return the extended attributes in the kernel's form."""
        found = self._inner_attributes(inode)
        if inode.attribute_block:
            number = inode.attribute_block
            # Files with the same attributes share a block, and are near each other.
            if self._attributes_of_block[0] != number:
                raw = self.block(number)
                if raw[:4] != ext4_xattrs.MAGIC:
                    raise VerificationError(f"block {number} holds no extended attributes")
                pairs = ext4_xattrs.parse(
                    raw, ext4_xattrs.IN_BLOCK, values=0, inode_value=self._inode_value
                )
                self._attributes_of_block = number, dict(pairs)
            block_attributes = self._attributes_of_block[1]
            found.update(block_attributes)
        found.pop(ext4_xattrs.INLINE, None)
        return found

    def _inner_attributes(self, inode: Inode) -> dict[str, bytes]:
        """Return those that are in the inode itself; so is the end of inline data."""
        start = int.from_bytes(inode.rest[:2], "little")
        if inode.rest[start : start + 4] != ext4_xattrs.MAGIC:
            return {}
        first = start + ext4_xattrs.IN_INODE
        return dict(
            ext4_xattrs.parse(inode.rest, first, values=first, inode_value=self._inode_value)
        )

    def _inode_value(self, number: int, size: int) -> bytes:
        holder = self.inode(number)
        # One that is in its inode could lead back to the attributes that led to it.
        if holder.size != size or size > ext4_xattrs.VALUE_MAX or holder.flags & INLINE:
            raise VerificationError(
                "an extended attribute is damaged: its inode is none for values"
            )
        return b"".join(self.read_file(holder))

    def pieces(self, inode: Inode) -> Iterator[FileExtent]:
        """Yield where the written blocks of an inode's content are, in order."""
        if inode.flags & EXTENTS:
            return ext4_file_map.extent_pieces(self, inode.block)
        needed = -(-inode.size // self.superblock.block_size)
        return ext4_file_map.map_pieces(self, inode.block, needed)

    def read_file(self, inode: Inode) -> Iterator[bytes]:
        """Yield the content of a regular file, a long symlink or a directory, holes as zeroes.

        Raises:
            VerificationError: it is damaged.
            LayoutError: it is encrypted.
        """
        return self.content(inode, file_tree.ReadLimit(blocks=self.blocks, logical=inode.size))

    def content(self, inode: Inode, budget: file_tree.ReadLimit) -> Iterator[bytes]:
        """Do the same, and charge it to a budget that several files share."""
        for part in self.parts(inode, budget):
            match part:
                case SourceSpan(offset, length):
                    yield from self._chunks(offset, length)
                case Hole(length):
                    yield from _zeroes(length)
                case bytes():
                    yield part

    def parts(self, inode: Inode, budget: file_tree.ReadLimit) -> Iterator[Part]:
        """Yield where a content is, in order, and charge it to a budget.

        Raises:
            VerificationError: it is damaged.
            LayoutError: it is encrypted.
        """
        if inode.flags & ENCRYPTED:
            raise LayoutError(
                "the file system has encrypted files",
                hint="they can be captured from the running board only, where they are open",
            )
        budget.spend_bytes(inode.size)
        if inode.flags & INLINE:
            content = self._inline_content(inode)
            yield content
            # What was written short and then made longer stays where it is.
            yield Hole(inode.size - len(content))
            return
        block_size, size, position = self.superblock.block_size, inode.size, 0
        for logical, physical, count in self.pieces(inode):
            budget.spend_blocks(count)
            start = logical * block_size
            if start >= size:
                break  # preallocated behind the end
            if start > position:
                yield Hole(start - position)
            position = min(start + count * block_size, size)
            yield SourceSpan(physical * block_size, position - start)
        if position < size:
            yield Hole(size - position)

    def only_span(self, inode: Inode, budget: file_tree.ReadLimit) -> SourceSpan | None:
        """Return where a content is that is contiguous, and charge it; None for any other."""
        if inode.flags & (EXTENTS | INLINE | ENCRYPTED) != EXTENTS:
            return None
        piece = ext4_file_map.only_piece(self, inode.block)
        if piece is None or piece.length * self.superblock.block_size < inode.size:
            return None
        budget.spend_bytes(inode.size)
        budget.spend_blocks(piece.length)
        return SourceSpan(piece.physical * self.superblock.block_size, inode.size)

    def _chunks(self, offset: int, length: int) -> Iterator[bytes]:
        while length > _CHUNK:
            yield self._bytes(offset, _CHUNK)
            offset, length = offset + _CHUNK, length - _CHUNK
        yield self._bytes(offset, length)

    def digest(self, size: int, parts: Iterable[Part]) -> bytes:
        """Return the digest of a content of size bytes, read now.

        Raises:
            VerificationError: the file system is cut off before its end.
        """
        return hash_worker.hash_parts(size, parts, self._source)

    def _inline_content(self, inode: Inode) -> bytes:
        """Return a content that is in the inode: 60 bytes, and the rest as an attribute."""
        content = inode.block + self._inner_attributes(inode).get(ext4_xattrs.INLINE, b"")
        return content[: inode.size]

    def _target(self, inode: Inode) -> bytes:
        """Return the target of a symlink."""
        if inode.flags & ENCRYPTED or inode.size > paths.PATH_MAX:
            raise VerificationError(f"symlink {inode.number} is encrypted or too long")
        if inode.size < SHORT_LINK and not inode.flags & (EXTENTS | INLINE):
            target = inode.block[: inode.size]
        else:
            target = b"".join(self.read_file(inode))
        if not target or b"\0" in target:
            raise VerificationError(f"symlink {inode.number} is empty or holds a zero byte")
        return target


def _zeroes(count: int) -> Iterator[bytes]:
    while count >= _CHUNK:
        yield _ZEROES
        count -= _CHUNK
    if count > 0:
        yield _ZEROES[:count]
