"""Contents and entries for tests of what is rebuilt."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

from holdstill.model import paths, pieces
from holdstill.model.entries import Entry, EntryType

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.model.pieces import Part

MOMENT = 1_700_000_000_000_000_000
"""An even second, as FAT can hold it."""


class FolderContents:
    """Contents in a folder, one file for each, named by its digest."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)

    def add(self, content: bytes) -> bytes:
        """Keep a content; return its digest, b"" for the empty one."""
        if not content:
            return b""
        if not pieces.is_pieced(len(content)):
            return self._put(content)
        listed = pieces.of_reader(
            len(content), pieces.PIECE, lambda start, count: content[start : start + count]
        )
        for part in listed.parts():
            if part.digest:
                self._put(content[part.offset : part.offset + part.length])
        return self._put(listed.encode())

    def body(self, entry: Entry) -> bytes:
        """Return the content of an entry."""
        if not pieces.is_pieced(entry.size):
            return (self.folder / entry.digest.hex()).read_bytes()
        found = bytearray(entry.size)
        data = (self.folder / entry.digest.hex()).read_bytes()
        for part in pieces.decode(data, "it").parts():
            if part.digest:
                body = (self.folder / part.digest.hex()).read_bytes()
                found[part.offset : part.offset + part.length] = body
        return bytes(found)

    def _put(self, content: bytes) -> bytes:
        digest = hashlib.sha256(content).digest()
        (self.folder / digest.hex()).write_bytes(content)
        return digest

    def open(self, digest: bytes) -> int:
        """Return a descriptor to read a content; the caller closes it."""
        return os.open(self.folder / digest.hex(), os.O_RDONLY)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts."""
        yield from parts


def a_file(
    contents: FolderContents,
    path: bytes,
    content: bytes,
    *,
    mtime_ns: int = MOMENT,
    flags: int = 0,
    mode: int = 0,
) -> Entry:
    """Return the entry of a regular file, whose content is kept."""
    directory, name = paths.split(path)
    return Entry(
        directory,
        name,
        EntryType.FILE,
        mode=mode,
        size=len(content),
        mtime_ns=mtime_ns,
        flags=flags,
        digest=contents.add(content),
    )


def a_folder(path: bytes, *, mtime_ns: int = MOMENT, flags: int = 0, mode: int = 0) -> Entry:
    """Return the entry of a directory."""
    directory, name = paths.split(path)
    return Entry(directory, name, EntryType.DIRECTORY, mode=mode, mtime_ns=mtime_ns, flags=flags)


def in_order(entries: Iterable[Entry]) -> list[Entry]:
    """Return entries as streams have them: by directory, then by name."""
    return sorted(entries, key=lambda entry: (entry.directory, entry.name))
