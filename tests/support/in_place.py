"""Contents that are still where they were captured: in a mounted tree."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.model import paths, pieces
from holdstill.system import files
from holdstill.workflow.attachments import pieces_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import Part


class InPlace:
    """Finds a content in a tree by the entries that were read from it."""

    def __init__(self, root: Path, entries: Iterable[Entry]) -> None:
        self._root = os.fsencode(root)
        self._whole: dict[bytes, bytes] = {}
        self._lists: dict[bytes, bytes] = {}
        self._pieces: dict[bytes, tuple[bytes, Part]] = {}
        for entry in entries:
            if pieces.is_pieced(entry.size):
                self._divide(entry)
            elif entry.digest:
                self._whole[entry.digest] = entry.path

    def _divide(self, entry: Entry) -> None:
        with files.opened(self._path(entry.path)) as handle:
            listed = pieces_of(handle, entry.size)
        self._lists[listed.digest()] = listed.encode()
        self._pieces |= {part.digest: (entry.path, part) for part in listed.parts()}

    def open(self, digest: bytes) -> int:
        """Return a descriptor of a content; the caller closes it."""
        if digest in self._whole:
            return os.open(self._path(self._whole[digest]), os.O_RDONLY)
        if digest in self._lists:
            return _in_memory(self._lists[digest])
        path, part = self._pieces[digest]
        with files.opened(self._path(path)) as handle:
            return _in_memory(os.pread(handle, part.length, part.offset))

    def _path(self, path: bytes) -> bytes:
        return paths.join(self._root, path)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts."""
        yield from parts


def _in_memory(content: bytes) -> int:
    handle = os.memfd_create("content")
    files.write_all(handle, content)
    os.lseek(handle, 0, os.SEEK_SET)
    return handle
