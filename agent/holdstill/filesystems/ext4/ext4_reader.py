"""ext2, ext3 and ext4, read from raw bytes: no mount, no root, no program.

Three uses: parameters and inode tables of a file system that is mounted, its tree when nobody
has it mounted, and a second opinion on what the writer made. The bytes may come from anybody:
whatever they say, reading ends, and with nothing but an error of ours.

Source: Linux Documentation/filesystems/ext4.
"""

from __future__ import annotations

import os
import stat
import struct
from functools import cached_property
from itertools import chain, islice
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import LayoutError, SecurityError, VerificationError
from holdstill.filesystems import file_tree, hash_worker
from holdstill.filesystems.ext4 import ext4_file_map, ext4_superblock, ext4_xattrs
from holdstill.filesystems.file_tree import Content
from holdstill.filesystems.hash_worker import Hole, SourceSpan, UnhashedContent
from holdstill.model import layout, paths
from holdstill.model.entries import KEPT_FLAGS, Entry, EntryType, Omitted, Seen, new

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from holdstill.filesystems.ext4.ext4_file_map import FileExtent
    from holdstill.filesystems.ext4.ext4_superblock import Group, Superblock
    from holdstill.filesystems.hash_worker import Hasher, Part
    from holdstill.system.byte_source import ByteSource

ROOT = 2
"""Inode number of the root directory."""

_ENCRYPTED, _EXTENTS, _HUGE, _INLINE = 0x800, 0x80000, 0x40000, 0x10000000
_CHUNK = 1 << 20
_ZEROES = bytes(_CHUNK)
_TABLE_CHUNK = 64
"""Inodes that are read at once: neighbours in a directory are neighbours in the table, too."""
_TABLE_CHUNKS = 256
"""Pieces of inode tables that are remembered: 4 MiB with inodes of 256 bytes."""
_SHORT_LINK = 60
_PARTS_MAX = 4096
"""Parts of a content that are remembered until another thread hashes it."""

_BASE = struct.Struct("<HHIIIIIHHIII60sIIIIHHHHI")
_EXTRA = struct.Struct("<HHII")
_DIRENT = struct.Struct("<IHBB")


class Inode(NamedTuple):
    """One inode, understood.

    Attributes:
        size: bytes, of whatever kind it is.
        sectors: 512-byte units in use, its metadata included (st_blocks).
        block: the 60 bytes that say where the content is, or are the content.
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
    attribute_block: int
    block: bytes
    rest: bytes


class Ext4Reader:
    """A file system in a source. It remembers what it read: make a new one to look again."""

    def __init__(self, source: ByteSource) -> None:
        """Read the superblock.

        Raises:
            VerificationError: there is none, or it makes no sense.
        """
        self._source = source
        self.superblock = _superblock(source)
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

    def parameters(self) -> layout.Ext4:
        """Return what is needed to make the same file system again, empty."""
        sb = self.superblock
        free = sum(group.free_blocks for group in self.groups())
        return layout.Ext4(
            uuid=sb.uuid,
            label=sb.label,
            block_size=sb.block_size,
            blocks=sb.blocks,
            inode_size=sb.inode_size,
            inodes=sb.inodes,
            features=sb.features,
            hash_seed=sb.hash_seed,
            reserved_blocks=sb.reserved_blocks,
            reserved_uid=sb.reserved_uid,
            reserved_gid=sb.reserved_gid,
            errors=sb.error_policy,
            mount_defaults=sb.mount_defaults,
            mount_opts=sb.mount_options,
            journal_blocks=self._journal_blocks(),
            max_mount_count=sb.max_mount_count,
            check_interval=sb.check_interval,
            stride=sb.stride,
            stripe_width=sb.stripe_width,
            used_blocks=max(0, sb.blocks - free),
        )

    def _journal_blocks(self) -> int:
        sb = self.superblock
        if not sb.compat & ext4_superblock.HAS_JOURNAL or not sb.journal_inode:
            return 0  # none, or one on another device
        return self.inode(sb.journal_inode).size // sb.block_size

    @cached_property
    def _groups(self) -> list[Group]:
        try:
            return ext4_superblock.read_groups(self._source, self.superblock)
        except EOFError as error:
            raise VerificationError("the file system is cut off inside its groups") from error

    def groups(self) -> list[Group]:
        """Return every block group: where its inodes are, and how many of them are valid."""
        return self._groups

    # Inodes ------------------------------------------------------------------------------------

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
            generation, acl, block, raw[128:],
        ))  # fmt: skip

    # Extended attributes -----------------------------------------------------------------------

    def xattrs(self, inode: Inode) -> Mapping[str, bytes]:
        """Return the extended attributes in the kernel's form."""
        found = self._inner_attributes(inode)
        if inode.attribute_block:
            found.update(self._block_attributes(inode.attribute_block))
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

    def _block_attributes(self, number: int) -> Mapping[str, bytes]:
        # Files with the same attributes share a block, and lie near each other.
        if self._attributes_of_block[0] != number:
            raw = self.block(number)
            if raw[:4] != ext4_xattrs.MAGIC:
                raise VerificationError(f"block {number} holds no extended attributes")
            pairs = ext4_xattrs.parse(
                raw, ext4_xattrs.IN_BLOCK, values=0, inode_value=self._inode_value
            )
            self._attributes_of_block = number, dict(pairs)
        return self._attributes_of_block[1]

    def _inode_value(self, number: int, size: int) -> bytes:
        holder = self.inode(number)
        # One that lies in its inode could lead back to the attributes that led to it.
        if holder.size != size or size > ext4_xattrs.VALUE_MAX or holder.flags & _INLINE:
            raise VerificationError(
                "an extended attribute is damaged: its inode is none for values"
            )
        return b"".join(self.read_file(holder))

    # Content -----------------------------------------------------------------------------------

    def pieces(self, inode: Inode) -> Iterator[FileExtent]:
        """Yield where the written blocks of an inode's content are, in order."""
        if inode.flags & _EXTENTS:
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
        if inode.flags & _ENCRYPTED:
            raise LayoutError(
                "the file system has encrypted files",
                hint="they can be captured from the running board only, where they are open",
            )
        budget.spend_bytes(inode.size)
        if inode.flags & _INLINE:
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
        """Return where a content is that lies together, and charge it; None for any other."""
        if inode.flags & (_EXTENTS | _INLINE | _ENCRYPTED) != _EXTENTS:
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

    def digest(self, parts: Iterable[Part]) -> bytes:
        """Return the SHA-256 of a content, read now.

        Raises:
            VerificationError: the file system is cut off before its end.
        """
        return hash_worker.hash_parts(parts, self._source)

    def _inline_content(self, inode: Inode) -> bytes:
        """Return a content that is in the inode: 60 bytes, and the rest as an attribute."""
        content = inode.block + self._inner_attributes(inode).get(ext4_xattrs.INLINE, b"")
        return content[: inode.size]

    def _target(self, inode: Inode) -> bytes:
        """Return what a symlink says."""
        if inode.flags & _ENCRYPTED or inode.size > paths.PATH_MAX:
            raise VerificationError(f"symlink {inode.number} is encrypted or too long")
        if inode.size < _SHORT_LINK and not inode.flags & (_EXTENTS | _INLINE):
            target = inode.block[: inode.size]
        else:
            target = b"".join(self.read_file(inode))
        if not target or b"\0" in target:
            raise VerificationError(f"symlink {inode.number} is empty or holds a zero byte")
        return target

    # Directories -------------------------------------------------------------------------------

    def directory(self, inode: Inode) -> list[tuple[bytes, int]]:
        """Return (name, inode number) of what is in a directory, in name order, without dots."""
        budget = file_tree.ReadLimit(blocks=self.blocks, logical=inode.size)
        return sorted(self.listed(inode, budget))

    def listed(self, inode: Inode, budget: file_tree.ReadLimit) -> Iterator[tuple[bytes, int]]:
        """Yield (name, inode number) of what is in a directory, as it lies on disk."""
        if inode.flags & _INLINE:
            # The first four bytes are the parent's number; there are no dots.
            content = self._inline_content(inode)
            yield from _names(content[4:_SHORT_LINK])
            yield from _names(content[_SHORT_LINK:])
            return
        size = self.superblock.block_size
        if inode.size % size or not inode.size:
            raise VerificationError(f"directory {inode.number} is not made of whole blocks")
        for chunk in self.content(inode, budget):
            for start in range(0, len(chunk), size):
                yield from _names(chunk[start : start + size])

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, without digest, or None when there is none."""
        inode = self._find(path)
        return None if inode is None else self.entry(*paths.split(path), inode)

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

    def children(self, path: bytes) -> list[Entry]:
        """Return the entries in a directory, without digests, in name order."""
        inode = self._find(path)
        if inode is None or not stat.S_ISDIR(inode.mode):
            return []
        listed = self.directory(inode)
        file_tree.checked_names(path, (name for name, _ in listed))
        return [self.entry(path, name, self.inode(number)) for name, number in listed]

    def read(self, path: bytes, *, limit: int) -> bytes:
        """Return the content of a regular file of at most limit bytes.

        Raises:
            VerificationError: there is no such file, or it is larger.
        """
        inode = self._find(path)
        if inode is None or not stat.S_ISREG(inode.mode) or inode.size > limit:
            shown = paths.display(path)
            raise VerificationError(f"{shown!r} is no regular file of at most {limit} bytes")
        return b"".join(self.read_file(inode))

    # Entries -----------------------------------------------------------------------------------

    def entries(
        self,
        content: Content,
        *,
        logical_max: int = file_tree.LOGICAL_MAX,
        hasher: Hasher | None = None,
    ) -> Iterator[Entry]:
        """Yield every entry in key order, the root first.

        Args:
            content: whether contents are hashed.
            logical_max: bytes of all files together, holes included, that may be hashed.
            hasher: hashes contents meanwhile; without one it is done in between.

        Raises:
            LayoutError: files are encrypted, or the file system has features unknown to us.
            VerificationError: it is damaged, or its journal still holds changes.
            SecurityError: it is made to mislead: loops, names with slashes, shared blocks.
        """
        self._check_readable()
        unread: dict[int, UnhashedContent] | None = None if hasher is None else {}
        walk = _Ext4Walk(
            self, content, file_tree.ReadLimit(blocks=self.blocks, logical=logical_max), unread
        )
        root = self.inode(ROOT)
        if not stat.S_ISDIR(root.mode):
            raise VerificationError("the root inode is no directory")
        yield self.entry(b"", b"", root)
        found = file_tree.in_key_order(ROOT, walk.listing)
        if hasher is None or unread is None:
            yield from found
        else:
            yield from hash_worker.filled_in(found, unread, hasher)

    def _check_readable(self) -> None:
        sb = self.superblock
        unknown = sb.incompat & ~ext4_superblock.READABLE
        if unknown:
            raise LayoutError(
                f"the file system has features that cannot be read ({unknown:#x} of incompat)"
            )
        if sb.incompat & ext4_superblock.NEEDS_RECOVERY:
            raise VerificationError(
                "not unmounted: the journal holds changes that are not in place yet",
                hint="mount and unmount it once, or run e2fsck on a copy",
            )

    def entry(self, directory: bytes, name: bytes, inode: Inode, digest: bytes = b"") -> Entry:
        """Describe an inode under one of its names."""
        mode = inode.mode
        if not inode.links or inode.deleted_at or not stat.S_IFMT(mode):
            where = paths.display(paths.join(directory, name))
            raise VerificationError(f"{where!r} leads to inode {inode.number}, which is deleted")
        kind = _kind(inode)
        is_file = kind is EntryType.FILE
        has_flags = is_file or kind is EntryType.DIRECTORY
        has_size = is_file and not inode.flags & _INLINE
        return new(Entry, (
            directory, name, kind, mode & 0o7777, inode.uid, inode.gid,
            inode.size if is_file else 0,
            inode.mtime_ns,
            inode.number if inode.links > 1 and kind is not EntryType.DIRECTORY else 0,
            _device(inode) if kind in _DEVICES else 0,
            inode.flags & KEPT_FLAGS if has_flags else 0,
            int(has_size and inode.sectors * 512 < inode.size),
            self._target(inode) if kind is EntryType.SYMLINK else b"",
            digest,
            Omitted.NOTHING,
            self.xattrs(inode),
            new(Seen, (inode.number, inode.ctime_ns, inode.generation)),
        ))  # fmt: skip


_DEVICES = frozenset({EntryType.CHARACTER, EntryType.BLOCK})


class _Ext4Walk:
    """One pass over all directories."""

    def __init__(
        self,
        volume: Ext4Reader,
        content: Content,
        budget: file_tree.ReadLimit,
        unread: dict[int, UnhashedContent] | None,
    ) -> None:
        self._volume = volume
        self._budget = budget
        self._unread = unread
        self._is_hashed = content is Content.HASHED
        self._directories: set[int] = {ROOT}
        # Digest, and names still to come, of files with more than one.
        self._linked: dict[int, tuple[bytes, int]] = {}

    def listing(self, path: bytes, number: int) -> Iterator[tuple[Entry, int | None]]:
        """Yield what is in a directory, each directory with its inode's number."""
        volume = self._volume
        listed = sorted(volume.listed(volume.inode(number), self._budget))
        file_tree.checked_names(path, (name for name, _ in listed))
        for name, child in listed:
            inode = volume.inode(child)
            digest = b""
            if self._is_hashed and inode.size and stat.S_ISREG(inode.mode):
                digest = self._digest(inode)
            entry = volume.entry(path, name, inode, digest)
            if entry.type is EntryType.DIRECTORY:
                self._note_directory(child, entry)
                yield entry, child
            else:
                yield entry, None

    def _note_directory(self, number: int, entry: Entry) -> None:
        if number in self._directories:
            raise SecurityError(f"directory {paths.display(entry.path)!r} has a second place")
        self._directories.add(number)

    def _digest(self, inode: Inode) -> bytes:
        """Return what is in a file, or nothing where that is left to others."""
        if inode.links == 1:
            return self._hashed(inode)
        known = self._linked.pop(inode.number, None)
        digest, left = known or (self._hashed(inode), inode.links)
        if left > 1:
            self._linked[inode.number] = digest, left - 1
        return digest

    def _hashed(self, inode: Inode) -> bytes:
        if self._unread is None:
            return self._volume.digest(self._volume.parts(inode, self._budget))
        span = self._volume.only_span(inode, self._budget)
        if span is not None:
            self._unread[inode.number] = UnhashedContent([span], inode.links)
            return b""
        parts = self._volume.parts(inode, self._budget)
        first = list(islice(parts, _PARTS_MAX))
        if len(first) == _PARTS_MAX:
            return self._volume.digest(chain(first, parts))
        self._unread[inode.number] = UnhashedContent(first, inode.links)
        return b""


def _superblock(source: ByteSource) -> Superblock:
    try:
        raw = source.read(ext4_superblock.OFFSET, ext4_superblock.SIZE)
    except EOFError as error:
        raise VerificationError("too small for an ext4") from error
    return ext4_superblock.parse(raw)


def _extra_times(raw: bytes) -> tuple[int, int]:
    """Return the nanoseconds and epoch bits of ctime and mtime; larger inodes only."""
    if len(raw) < 128 + _EXTRA.size:
        return 0, 0
    size, _, ctime, mtime = _EXTRA.unpack_from(raw, 128)
    return ctime if size >= 8 else 0, mtime if size >= 12 else 0


def _time(low: int, extra: int) -> int:
    """Join a signed 32-bit second, two bits that extend it, and nanoseconds."""
    second = (low ^ 0x80000000) - 0x80000000 + ((extra & 3) << 32)
    return second * 1_000_000_000 + (extra >> 2)


def _zeroes(count: int) -> Iterator[bytes]:
    while count >= _CHUNK:
        yield _ZEROES
        count -= _CHUNK
    if count > 0:
        yield _ZEROES[:count]


def _names(block: bytes) -> Iterator[tuple[bytes, int]]:
    """Yield the names in one block of a directory; index nodes look like a free entry."""
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


def _kind(inode: Inode) -> EntryType:
    try:
        return EntryType.of_mode(inode.mode)
    except KeyError as error:
        raise VerificationError(
            f"inode {inode.number} is of an unknown type (mode {inode.mode:o})"
        ) from error


def _device(inode: Inode) -> int:
    """Read a device number: the old form in the first word, or the new one in the second."""
    old, new = struct.unpack_from("<II", inode.block)
    if old:
        return os.makedev(old >> 8 & 0xFF, old & 0xFF)
    return os.makedev(new >> 8 & 0xFFF, new & 0xFF | new >> 12 & 0xFFF00)
