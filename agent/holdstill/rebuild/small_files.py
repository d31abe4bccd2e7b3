"""Small files of a capture, found by pattern and read whole."""

from __future__ import annotations

import os
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING, Protocol

from holdstill.filesystems import writer_input
from holdstill.model import paths
from holdstill.model.entries import EntryType
from holdstill.system import sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource

LIMIT = 1 << 20
"""Bytes of a file that is small: settings are a few KiB."""


class FileLookup(Protocol):
    """The entries of a capture, by partition and path; its index has this form."""

    def get(self, part: int, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""

    def children(self, part: int, directory: bytes) -> list[Entry]:
        """Return the entries directly in a directory, in name order."""


@dataclass(frozen=True)
class SmallFile:
    """A file of the capture, read."""

    part: int
    path: bytes
    content: bytes

    @property
    def where(self) -> str:
        """What people call it."""
        return f"partition {self.part}: {paths.display(self.path)}"


@dataclass(frozen=True)
class SmallFileReader:
    """What finds and reads them. Symlinks are not followed.

    Attributes:
        lost: files, by partition and path, whose contents are not to be read: they are damaged.
    """

    files: FileLookup
    contents: ContentSource
    lost: frozenset[tuple[int, bytes]] = frozenset()

    def matching(self, part: int, pattern: str) -> Iterator[Entry]:
        """Yield the regular files that a pattern names; * and ? stay within one component."""
        yield from self._below(part, b"", pattern.split("/"))

    def _below(self, part: int, directory: bytes, pattern: Sequence[str]) -> Iterator[Entry]:
        first, *rest = pattern
        for entry in self._named(part, directory, first):
            if rest and entry.type is EntryType.DIRECTORY:
                yield from self._below(part, entry.path, rest)
            elif not rest and entry.type is EntryType.FILE:
                yield entry

    def _named(self, part: int, directory: bytes, pattern: str) -> list[Entry]:
        if any(special in pattern for special in "*?["):
            below = self.files.children(part, directory)
            return [entry for entry in below if fnmatchcase(os.fsdecode(entry.name), pattern)]
        found = self.files.get(part, paths.join(directory, os.fsencode(pattern)))
        return [found] if found else []

    def small(self, part: int, pattern: str) -> Iterator[SmallFile]:
        """Yield the files that a pattern names, are not too large or lost, and have a content.

        Raises:
            VerificationError: a content does not match its digest.
        """
        for entry in self.matching(part, pattern):
            is_small = entry.size <= LIMIT and (entry.digest or not entry.size)
            if is_small and (part, entry.path) not in self.lost:
                yield SmallFile(part, entry.path, self._read(entry))

    def has(self, part: int, path: bytes) -> bool:
        """Whether there is such a file, lost or not."""
        entry = self.files.get(part, path)
        return entry is not None and entry.type is EntryType.FILE

    def content_of(self, part: int, path: bytes) -> bytes:
        """Return the content of a small file; nothing when there is none, or it is lost.

        Raises:
            VerificationError: the content does not match its digest.
        """
        entry = self.files.get(part, path)
        if entry is None or entry.size > LIMIT or (part, path) in self.lost:
            return b""
        return self._read(entry)

    def _read(self, entry: Entry) -> bytes:
        if not entry.digest:
            return b""
        handle = writer_input.handle_of(self.contents, entry)
        try:
            content = os.pread(handle, entry.size + 1, 0)
        finally:
            os.close(handle)
        if sparse_copy.digest_of(content) != entry.digest:
            raise writer_input.not_the_content(entry, writer_input.OTHER_BYTES)
        return content
