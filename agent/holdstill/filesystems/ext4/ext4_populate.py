"""Entries become inodes and directories, one directory after the other, in flat memory.

Entries come in key order, so a directory's own entry comes before its names, and all names of a
directory come together. What has to be remembered in between (directories that are still to be
filled, the inodes of hard links) is in a temporary database that spills to disk.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, contextmanager, nullcontext
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

from holdstill.errors import TargetFailedError, VerificationError
from holdstill.filesystems.ext4 import (
    block_map,
    copy_worker,
    directory_entries,
    file_layout,
    inode_bytes,
    volume,
)
from holdstill.filesystems.ext4.directory_blocks import Name
from holdstill.filesystems.ext4.directory_entries import DirectoryEntries
from holdstill.filesystems.ext4.directory_writer import DirectoryWriter
from holdstill.filesystems.ext4.file_layout import FileLayout
from holdstill.filesystems.ext4.inode_bytes import Blocks
from holdstill.filesystems.ext4.libext2fs import BlockRun, LibraryError
from holdstill.filesystems.ext4.losses import Losses
from holdstill.model import paths
from holdstill.model.entries import EntryType, Omitted
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from holdstill.filesystems.ext4.libext2fs import Extent
    from holdstill.filesystems.ext4.volume import Ext4Volume
    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource

ROOT, LOST_AND_FOUND_INODE, LOST_AND_FOUND = 2, 11, b"lost+found"
LOST_AND_FOUND_SIZE = 16 << 10
"""Bytes that mke2fs keeps ready in lost+found: e2fsck may need it when there is no free block."""

_SCHEMA = (
    "CREATE TABLE directory (path BLOB PRIMARY KEY, inode INTEGER, parent INTEGER) WITHOUT ROWID",
    "CREATE TABLE link (link INTEGER PRIMARY KEY, inode INTEGER)",
    directory_entries.SCHEMA,
)


@dataclass(frozen=True)
class PopulateResult:
    """What was written.

    Attributes:
        contents: the blocks that are on the target, sorted; all others are in the scratch file.
        warnings: what could not be restored exactly, for people.
    """

    entries: int
    content_bytes: int
    contents: list[BlockRun]
    warnings: tuple[str, ...] = ()


def populate(
    scratch: Path,
    target: Path,
    *,
    offset: int,
    entries: Iterable[Entry],
    contents: ContentSource,
    heads: Mapping[bytes, bytes],
    progress: ByteCounter,
) -> PopulateResult:
    """Fill a new, empty ext4.

    Args:
        scratch: a file that holds it; inodes and directories go there.
        target: the image or device that gets the contents.
        offset: byte of the target at which the file system begins.
        entries: in key order.
        contents: what is in the files.
        heads: what is at the beginning of files whose content was omitted, by path.
        progress: is called with every chunk.
    """
    with (
        files.opened(target, os.O_RDWR) as handle,
        copy_worker.started(handle, target, contents, progress) as carrier,
        volume.opened(scratch, target, offset=offset) as filled,
        _notes() as notes,
    ):
        copier = FileLayout(filled, contents, carrier, progress)
        filler = _Populator(filled, notes, copier, heads)
        filler.fill(entries)
        carrier.finish()
    return filler.result(filled.contents())


@contextmanager
def _notes() -> Iterator[sqlite3.Connection]:
    # An empty name: a private database in a temporary file, which SQLite removes.
    with closing(sqlite3.connect("", isolation_level=None)) as database:
        for pragma in ("cache_size = -4096", "journal_mode = OFF", "synchronous = OFF"):
            database.execute(f"PRAGMA {pragma}")
        for statement in _SCHEMA:
            database.execute(statement)
        database.execute("BEGIN")
        yield database


class _Populator:
    def __init__(
        self,
        filled: Ext4Volume,
        notes: sqlite3.Connection,
        copier: FileLayout,
        heads: Mapping[bytes, bytes],
    ) -> None:
        self._volume = filled
        self._library = filled.library
        self._geometry = filled.geometry
        self._has_extents = filled.geometry.has_extents
        self._notes = notes
        self._copier = copier
        self._heads = heads
        self._findings = Losses(filled.geometry.inode_size)
        self._entries = self._content_bytes = 0
        self._has_lost_and_found = False

    def result(self, contents: list[BlockRun]) -> PopulateResult:
        return PopulateResult(
            self._entries, self._content_bytes, contents, self._findings.warnings()
        )

    def fill(self, entries: Iterable[Entry]) -> None:
        # Take away what mke2fs puts into every file system.
        for number in (ROOT, LOST_AND_FOUND_INODE):
            content = self._library.read_inode(number, self._geometry.inode_size)
            # What is inline is inside the inode, which is written again.
            if not inode_bytes.is_inline(content):
                self._library.release_blocks_of(number)
        for path, group in groupby(entries, key=attrgetter("directory")):
            self._fill_directory(path, group)
        self._finish_empty_directories()
        if not self._has_lost_and_found:
            self._library.write_inode(LOST_AND_FOUND_INODE, bytes(self._geometry.inode_size))
            self._library.release_inode(LOST_AND_FOUND_INODE, directories=1)

    def _fill_directory(self, path: bytes, group: Iterable[Entry]) -> None:
        names = DirectoryEntries(self._notes, self._volume.hash_name)
        own = 0
        for entry in group:
            if not entry.name:  # the root
                self._write_inode(ROOT, entry)
                self._remember(b"", ROOT, ROOT)
                self._count(0)
                continue
            own = own or self._inode_of(path)
            number = self._place(entry, own)
            is_directory = int(entry.type is EntryType.DIRECTORY)
            names.add(Name(entry.name, number, int(entry.type)), directories=is_directory)
        if own:
            self._write_directory(path, names)
        names.forget()

    def _inode_of(self, path: bytes) -> int:
        row = self._notes.execute("SELECT inode FROM directory WHERE path = ?", (path,)).fetchone()
        if row is None:
            raise VerificationError(
                f"the index lists names in {paths.display(path)!r}, which is no directory in it"
            )
        return int(row[0])

    def _remember(self, path: bytes, own: int, parent: int) -> None:
        self._notes.execute("INSERT INTO directory VALUES (?, ?, ?)", (path, own, parent))

    def _place(self, entry: Entry, parent: int) -> int:
        """Give an entry an inode and whatever is in it; return the inode's number."""
        known = self._linked(entry)
        if known:
            return known
        number = self._new_inode(entry)
        if entry.type is EntryType.DIRECTORY:
            self._remember(entry.path, number, parent)
        elif entry.link:
            self._notes.execute("INSERT INTO link VALUES (?, ?)", (entry.link, number))
        self._write_inode(number, entry)
        return number

    def _linked(self, entry: Entry) -> int:
        """Count one more name for an inode that is there already; 0 when it is not."""
        if not entry.link or entry.type is EntryType.DIRECTORY:
            return 0
        row = self._notes.execute(
            "SELECT inode FROM link WHERE link = ?", (entry.link,)
        ).fetchone()
        if row is None:
            return 0
        number = int(row[0])
        content = self._library.read_inode(number, self._geometry.inode_size)
        links = inode_bytes.links_of(content) + 1
        if links > inode_bytes.LINKS_MAX:
            raise TargetFailedError(f"{paths.display(entry.path)!r}: too many names of one file")
        self._library.write_inode(number, inode_bytes.with_links(content, links))
        self._count(0)
        return number

    def _new_inode(self, entry: Entry) -> int:
        if entry.type is not EntryType.DIRECTORY:
            return self._volume.new_inode(directories=0)
        if entry.path == LOST_AND_FOUND:
            self._has_lost_and_found = True
            return LOST_AND_FOUND_INODE
        return self._volume.new_inode(directories=1)

    def _write_inode(self, number: int, entry: Entry) -> None:
        self._findings.look_at(entry)
        if entry.type is EntryType.FILE:
            if entry.omitted is not Omitted.NOTHING:
                extents = self._write_omitted(entry)
            else:
                extents = self._copier.copy(entry) if entry.size else []
            self._map(number, entry, entry.size, extents)
        elif inode_bytes.needs_block(entry):
            if len(entry.target) >= self._geometry.block_size:
                raise TargetFailedError(
                    f"the symlink {paths.display(entry.path)!r} is too long for blocks of "
                    f"{self._geometry.block_size} bytes"
                )
            block = self._volume.allocate_in_scratch()
            self._volume.write_in_scratch(block, entry.target)
            self._map(number, entry, len(entry.target), file_layout.merged([BlockRun(block, 1)]))
        else:
            content = {
                EntryType.SYMLINK: entry.target,
                EntryType.CHARACTER: inode_bytes.device_map(entry.rdev),
                EntryType.BLOCK: inode_bytes.device_map(entry.rdev),
            }.get(entry.type, b"")
            self._put_inode(number, entry, Blocks(len(entry.target), 0, content))
        if entry.xattrs:
            packing = inode_bytes.pack_xattrs(entry.xattrs, inode_size=self._geometry.inode_size)
            with self._charged(number) if self._geometry.has_attribute_inodes else nullcontext():
                try:
                    self._library.set_xattrs(number, packing.order)
                except LibraryError as error:
                    raise TargetFailedError(
                        f"the extended attributes of {paths.display(entry.path)!r} cannot be "
                        f"kept: {error}"
                    ) from error
        if entry.name:
            self._count(entry.size if entry.type is EntryType.FILE else 0)

    def _count(self, written: int) -> None:
        self._entries += 1
        self._content_bytes += written

    def _write_omitted(self, entry: Entry) -> list[Extent]:
        """A swap file gets its blocks, since it must have no holes; any other is one hole."""
        head = self._heads.get(entry.path, b"")
        if entry.omitted is not Omitted.SWAP:
            return []
        return self._copier.reserve(head, entry.size)

    def _map(self, number: int, entry: Entry, size: int, extents: list[Extent]) -> None:
        """Write the inode of something that has blocks."""
        self._put_inode(number, entry, self._blocks(size, extents))
        if self._has_extents and len(extents) > inode_bytes.EXTENTS_IN_INODE:
            self._library.insert_extents(number, extents)

    def _blocks(self, size: int, extents: list[Extent]) -> Blocks:
        count = sum(extent.length for extent in extents)
        per_block = self._geometry.block_size // 512
        if self._has_extents:
            header = inode_bytes.extent_header(extents)
            return Blocks(size, count * per_block, header, inode_bytes.EXTENTS_FLAG)
        mapped = block_map.build(
            extents,
            block_size=self._geometry.block_size,
            take=self._volume.allocate_in_scratch,
            write=self._volume.write_in_scratch,
        )
        return Blocks(size, (count + mapped.lists) * per_block, mapped.map)

    def _put_inode(self, number: int, entry: Entry, blocks: Blocks) -> None:
        links = 2 if entry.type is EntryType.DIRECTORY else 1
        content = inode_bytes.encode(entry, blocks, size=self._geometry.inode_size, links=links)
        self._library.write_inode(number, content)

    @contextmanager
    def _charged(self, number: int) -> Iterator[None]:
        """Charge an inode for all blocks that are taken meanwhile.

        The kernel does so for inodes that hold attributes, and e2fsck wants it; the library
        counts only the block that the inode names itself.
        """
        library, size = self._library, self._geometry.inode_size
        free, sectors = (
            library.free_blocks,
            inode_bytes.sectors_of(library.read_inode(number, size)),
        )
        yield
        sectors += (free - library.free_blocks) * self._geometry.block_size // 512
        library.write_inode(
            number, inode_bytes.with_sectors(library.read_inode(number, size), sectors)
        )

    def _write_directory(self, path: bytes, names: DirectoryEntries) -> None:
        """Write the blocks of a directory and finish its inode."""
        own, parent = self._notes.execute(
            "SELECT inode, parent FROM directory WHERE path = ?", (path,)
        ).fetchone()
        self._notes.execute("DELETE FROM directory WHERE path = ?", (path,))
        writer = DirectoryWriter(self._volume, own, parent)
        least = lost_and_found_blocks(self._geometry.block_size) if path == LOST_AND_FOUND else 1
        is_indexed = writer.write(names, least=least)
        directories = names.directories
        size = sum(extent.length for extent in writer.extents) * self._geometry.block_size
        blocks = self._blocks(size, writer.extents)
        if is_indexed:
            blocks = blocks._replace(flags=blocks.flags | inode_bytes.INDEX_FLAG)
        links = 2 + directories
        if links > inode_bytes.LINKS_MAX:
            if not self._geometry.counts_many_directories:
                raise TargetFailedError(f"a directory with {directories} more in it is too many")
            links = 1  # "too many to count" (ext4 feature dir_nlink)
        content = self._library.read_inode(own, self._geometry.inode_size)
        self._library.write_inode(own, inode_bytes.as_directory(content, blocks, links))
        if self._has_extents and len(writer.extents) > inode_bytes.EXTENTS_IN_INODE:
            self._library.insert_extents(own, writer.extents)

    def _finish_empty_directories(self) -> None:
        while True:
            rows = self._notes.execute("SELECT path FROM directory LIMIT 1000").fetchall()
            if not rows:
                return
            for (path,) in rows:
                self._write_directory(path, DirectoryEntries(self._notes, self._volume.hash_name))


def lost_and_found_blocks(block_size: int) -> int:
    """Return how many blocks mke2fs gives lost+found: 16 KiB, 2 to 12 blocks."""
    return min(max(LOST_AND_FOUND_SIZE // block_size, 2), 12)
