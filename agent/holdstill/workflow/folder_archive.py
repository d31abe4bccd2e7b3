"""A folder of a capture as an archive, tar or zip, in flat memory.

What an archive cannot hold is told in a text at its end, beside the folder.
"""

from __future__ import annotations

import tempfile
from collections import defaultdict
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.errors import SecurityError
from holdstill.filesystems import content_chunks, content_parts
from holdstill.model import paths, pieces, portable_name
from holdstill.model.entries import Entry, EntryType
from holdstill.records import tar_stream
from holdstill.records.tar_stream import Region
from holdstill.records.zip_stream import ZipStream

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from contextlib import AbstractContextManager

    from holdstill.model.pieces import Part
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.records.index_queries import Index

NOTES = b"not-in-this-archive.txt"
LISTED = 200
"""Paths that are listed for each reason; more are counted."""
_SPOOLED = 8 << 10
"""Bytes of a zip archive's directory that are held in memory, not in a file."""
_AT_ONCE, _AT_ONCE_BYTES = 24, 16 << 10
"""Entries that are drawn from the index at a time, and about the bytes of their words."""


class ArchiveFormat(StrEnum):
    """What a folder is packed in."""

    TAR = "tar"
    """It holds what a Linux system has but sockets and inode flags."""
    ZIP = "zip"
    """For systems that know nothing else."""


@dataclass
class Notes:
    """What an archive does not hold, by reason."""

    told: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    counts: dict[str, int] = field(default_factory=lambda: defaultdict(int))

    def add(self, reason: str, path: bytes, more: str = "") -> None:
        """Note one entry."""
        self.counts[reason] += 1
        if len(self.told[reason]) < LISTED:
            self.told[reason].append(f"  /{paths.display(path)}{more}")

    def text(self) -> bytes:
        """Return them for people; b"" where there is nothing to say."""
        lines = []
        for reason, listed in self.told.items():
            left = self.counts[reason] - len(listed)
            more = [f"  and {left:,} more"] if left else []
            lines += [f"{reason}:", *listed, *more, ""]
        return "\n".join(lines).encode()


class Packed(NamedTuple):
    """An entry to be packed; first: the path in the folder of the first name of its inode.

    Where nobody asks for first names, it is the entry's own.
    """

    entry: Entry
    first: bytes


class _Format(Protocol):
    def add(self, found: Packed, name: bytes) -> Iterator[bytes]: ...

    def end(self) -> Iterator[bytes]: ...


@dataclass(frozen=True)
class Folder:
    """A folder of a capture.

    Attributes:
        open_index: opens the index of its capture. It is open for moments only: whoever takes
            an archive may stop in the middle of it, and an open index takes memory.
        name: what it is called in the archive, where all else is below it; one name.
    """

    contents: ContentSource
    open_index: Callable[[], AbstractContextManager[Index]]
    part: int
    top: Entry
    name: bytes

    def placed(self, path: bytes) -> bytes:
        """Return what a path below it is called in the archive."""
        return paths.join(self.name, path[len(self.top.path) :].lstrip(b"/")).rstrip(b"/")

    def entries(self, *, with_links: bool) -> Iterator[Packed]:
        """Yield it, and all that is below it, each behind the folder that it is in.

        Args:
            with_links: whether first names are looked up.

        Raises:
            SecurityError: something lies in what is no folder.
        """
        yield Packed(self.top, self.top.path)
        last: Entry | None = None
        while drawn := self._drawn(last, with_links=with_links):
            last = drawn[-1].entry
            yield from drawn

    def _drawn(self, last: Entry | None, *, with_links: bool) -> list[Packed]:
        """Return some of what is below it, behind an entry."""
        drawn: list[Packed] = []
        after = (last.directory, last.name) if last else None
        known, size = last.directory if last else self.top.path, 0
        with self.open_index() as index:
            for entry in index.below(self.part, self.top.path, after=after):
                if entry.directory != known:
                    holder = index.get(self.part, entry.directory)
                    if holder is None or holder.type is not EntryType.DIRECTORY:
                        raise SecurityError(f"/{paths.display(entry.path)} lies in no folder")
                    known = entry.directory
                first = entry.path
                if with_links and entry.link:
                    first = index.first_of_link(self.part, entry, self.top.path)
                drawn.append(Packed(entry, first))
                size += _words(entry)
                if len(drawn) == _AT_ONCE or size >= _AT_ONCE_BYTES:
                    break
        return drawn


def packed(folder: Folder, wanted: ArchiveFormat) -> Iterator[bytes]:
    """Yield the bytes of an archive.

    Raises:
        VerificationError: a content is not what was captured: the archive is then cut off.
        SecurityError: the index is not as it must be.
    """
    notes = Notes()
    with tempfile.SpooledTemporaryFile(max_size=_SPOOLED) as directory:
        form: _Format = (
            _Tar(folder, notes)
            if wanted is ArchiveFormat.TAR
            else _Zip(folder, notes, ZipStream(directory))
        )
        for found in folder.entries(with_links=wanted is ArchiveFormat.TAR):
            entry = found.entry
            if entry.type is EntryType.FILE and entry.size and not entry.digest:
                reason = f"Their contents are not in the capture ({entry.omitted.name.lower()})"
                notes.add(reason, entry.path)
            else:
                yield from form.add(found, folder.placed(entry.path))
        yield from form.end()


def _words(entry: Entry) -> int:
    """Return about the bytes that an entry takes: a hostile index has long ones."""
    attributes = sum(len(name) + len(value) for name, value in entry.xattrs.items())
    return len(entry.directory) + len(entry.name) + len(entry.target) + attributes


def _notes_of(folder: Folder, text: bytes) -> tuple[Entry, bytes]:
    """Return the entry and the name of the notes: beside the folder, with no name of its own."""
    name = NOTES if folder.name != NOTES else b"1-" + NOTES
    made = Entry(
        b"", name, EntryType.FILE, mode=0o644, size=len(text), mtime_ns=folder.top.mtime_ns
    )
    return made, name


@dataclass(frozen=True)
class _Tar:
    folder: Folder
    notes: Notes

    def add(self, found: Packed, name: bytes) -> Iterator[bytes]:
        entry = found.entry
        if not tar_stream.can_hold(entry):
            self.notes.add("Sockets, which a tar archive does not hold", entry.path)
            return
        if found.first != entry.path:
            yield tar_stream.link_header(name, entry, self.folder.placed(found.first))
            return
        if entry.type is EntryType.FILE and _has_holes(self.folder.contents, entry):
            yield from self._sparse(entry, name)
            return
        yield tar_stream.header(name, entry)
        yield from self._padded(entry.size, content_chunks.chunks(self.folder.contents, entry)
                                if entry.type is EntryType.FILE else ())  # fmt: skip

    def end(self) -> Iterator[bytes]:
        text = self.notes.text()
        if text:
            entry, name = _notes_of(self.folder, text)
            yield tar_stream.header(name, entry)
            yield from self._padded(len(text), [text])
        yield tar_stream.END

    def _sparse(self, entry: Entry, name: bytes) -> Iterator[bytes]:
        listed = content_parts.read_list(self.folder.contents, entry.digest, entry.size)
        yield from tar_stream.sparse_header(
            name, entry, lambda: _regions(listed.parts(), entry.size)
        )
        stored = 0
        for part in listed.parts():
            if part.digest:
                stored += part.length
                yield from content_chunks.checked_part(self.folder.contents, entry, part)
        yield bytes(tar_stream.padding(stored))

    @staticmethod
    def _padded(size: int, data: Iterable[bytes]) -> Iterator[bytes]:
        yield from data
        yield bytes(tar_stream.padding(size))


@dataclass(frozen=True)
class _Zip:
    folder: Folder
    notes: Notes
    stream: ZipStream

    def add(self, found: Packed, name: bytes) -> Iterator[bytes]:
        entry = found.entry
        kept = portable_name.portable_path(name).encode()
        if entry.xattrs:
            self.notes.add("Extended attributes of these are not in a zip archive", entry.path)
        match entry.type:
            case EntryType.DIRECTORY:
                yield from self.stream.folder(kept, entry)
            case EntryType.SYMLINK:
                yield from self.stream.symlink(kept, entry)
            case EntryType.FILE:
                if entry.link:
                    reason = "Several names of one file, each a file of its own in a zip archive"
                    self.notes.add(reason, entry.path)
                data = content_chunks.chunks(self.folder.contents, entry)
                yield from self.stream.file(kept, entry, data)
            case kind:
                reason = "Devices, pipes and sockets, which a zip archive does not hold"
                self.notes.add(reason, entry.path, f" ({kind.name.lower()})")
                return
        last = name.rpartition(b"/")[2]
        written = portable_name.portable(last)
        if written.encode() != last:
            reason = "Names that other systems would not take, and what they became"
            self.notes.add(reason, entry.path, f" -> {written}")

    def end(self) -> Iterator[bytes]:
        text = self.notes.text()
        if text:
            entry, name = _notes_of(self.folder, text)
            yield from self.stream.file(name, entry, [text])
        yield from self.stream.end()


def _has_holes(contents: ContentSource, entry: Entry) -> bool:
    if not pieces.is_pieced(entry.size) or not entry.digest:
        return False
    listed = content_parts.read_list(contents, entry.digest, entry.size)
    return any(not part.digest for part in listed.parts())


def _regions(parts: Iterable[Part], size: int) -> Iterator[Region]:
    """Yield what is no hole, neighbours together; at the end of a last hole an empty one."""
    begun = end = 0
    for part in parts:
        if part.digest:
            if part.offset != end and end > begun:
                yield Region(begun, end - begun)
            begun = begun if part.offset == end and end > begun else part.offset
            end = part.offset + part.length
    if end > begun:
        yield Region(begun, end - begun)
    if end < size:
        yield Region(size, 0)
