"""ext2, ext3 and ext4, read from raw bytes: no mount, no root, no program.

Three uses: parameters and inode tables of a file system that is mounted, its tree when it
is not mounted, and a second check of what the writer made. The bytes are untrusted: whatever they
are, reading ends, and with nothing but an error of ours.

Source: Linux Documentation/filesystems/ext4.
"""

from __future__ import annotations

import os
import stat
import struct
from itertools import chain, islice
from typing import TYPE_CHECKING

from holdstill.errors import LayoutError, SecurityError, VerificationError
from holdstill.filesystems import file_tree, hash_worker
from holdstill.filesystems.ext4 import ext4_superblock
from holdstill.filesystems.file_tree import Content
from holdstill.filesystems.hash_worker import UnhashedContent
from holdstill.model import layout, paths
from holdstill.model.entries import KEPT_FLAGS, NO_XFLAGS, Entry, EntryType, Omitted, Seen, new

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.filesystems.hash_worker import Hasher

from holdstill.filesystems.ext4.ext4_directories import Ext4Directories
from holdstill.filesystems.ext4.ext4_inodes import INLINE, ROOT, Inode

_PARTS_MAX = 4096
"""Parts of a content that are remembered until another thread hashes it."""


class Ext4Reader(Ext4Directories):
    """A file system in a source. It caches what it read: make a new one to read again."""

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

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, without digest, or None when there is none."""
        inode = self._find(path)
        return None if inode is None else self.entry(*paths.split(path), inode)

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

    def entry(self, directory: bytes, name: bytes, inode: Inode, digest: bytes = b"") -> Entry:
        """Describe an inode under one of its names."""
        mode = inode.mode
        if not inode.links or inode.deleted_at or not stat.S_IFMT(mode):
            where = paths.display(paths.join(directory, name))
            raise VerificationError(f"{where!r} leads to inode {inode.number}, which is deleted")
        kind = _kind(inode)
        is_file = kind is EntryType.FILE
        has_flags = is_file or kind is EntryType.DIRECTORY
        has_size = is_file and not inode.flags & INLINE
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
            inode.project,
            NO_XFLAGS,
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
                if child in self._directories:
                    raise SecurityError(
                        f"directory {paths.display(entry.path)!r} has a second place"
                    )
                self._directories.add(child)
                yield entry, child
            else:
                yield entry, None

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
            return self._volume.digest(inode.size, self._volume.parts(inode, self._budget))
        span = self._volume.only_span(inode, self._budget)
        if span is not None:
            self._unread[inode.number] = UnhashedContent([span], inode.links)
            return b""
        parts = self._volume.parts(inode, self._budget)
        first = list(islice(parts, _PARTS_MAX))
        if len(first) == _PARTS_MAX:
            return self._volume.digest(inode.size, chain(first, parts))
        self._unread[inode.number] = UnhashedContent(first, inode.links)
        return b""


def _kind(inode: Inode) -> EntryType:
    try:
        return EntryType.of_mode(inode.mode)
    except KeyError as error:
        raise VerificationError(
            f"inode {inode.number} is of an unknown type (mode {inode.mode:o})"
        ) from error


def _device(inode: Inode) -> int:
    """Read a device number: the old form in the first 32 bits, or the new one in the second."""
    old, new = struct.unpack_from("<II", inode.block)
    if old:
        return os.makedev(old >> 8 & 0xFF, old & 0xFF)
    return os.makedev(new >> 8 & 0xFFF, new & 0xFF | new >> 12 & 0xFFF00)
