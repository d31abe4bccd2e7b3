"""The indexes of several captures, one after another in one file on this machine.

From one capture to the next few pages of an index change. So the file of the one becomes that of
the other by the pieces in which they differ; the others are neither fetched nor read again.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.model import pieces
from holdstill.records import assembled, index_file
from holdstill.records.index_schema import SIZE_MAX
from holdstill.system import sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.pieces import Part, PieceList
    from holdstill.model.sealed_capture import IndexedCapture
    from holdstill.records.index_queries import Index

_BLANK = bytes(pieces.PIECE)


class IndexSeries:
    """One file that is the index of one capture after another.

    Attributes:
        read: bytes that were read of contents so far.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._there: PieceList | None = None
        self.read = 0

    @contextmanager
    def opened(self, capture: IndexedCapture) -> Iterator[Index]:
        """Hold a capture's index open for reading; it may come from anybody.

        Raises:
            VerificationError: it is not there, or damaged.
            SecurityError: it is not an index, or holds more than an index does.
        """
        self._become(capture)
        with index_file.opened(self._path) as index:
            yield index

    def _become(self, capture: IndexedCapture) -> None:
        stated = capture.manifest().index
        if stated.size > SIZE_MAX:
            raise SecurityError(f"the index is larger than one may be ({SIZE_MAX} bytes)")
        wanted = assembled.read_list(capture, stated)
        before, self._there = self._there, None  # what fails half-way is begun anew
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | (0 if before else os.O_TRUNC)
        target = os.open(self._path, flags, 0o600)
        try:
            os.ftruncate(target, wanted.size)
            changed = _changed(before, wanted) if before else None
            self._write(capture, wanted, changed, target)
        finally:
            os.close(target)
        self._there = wanted

    def _write(
        self, capture: IndexedCapture, wanted: PieceList, changed: set[Part] | None, target: int
    ) -> None:
        """Write the pieces that changed, or all; of a new file the holes are there already."""
        for part in changed or ():
            if not part.digest:
                _clear(target, part)
        for part, data in assembled.parts(capture, wanted, "the index", changed):
            sparse_copy.write_all_at(target, part.offset, data)
            self.read += len(data)


def _changed(before: PieceList, wanted: PieceList) -> set[Part]:
    """Return the parts that are not at their place already."""
    return set(wanted.parts()) - set(before.parts())


def _clear(target: int, hole: Part) -> None:
    for at in range(hole.offset, hole.offset + hole.length, len(_BLANK)):
        left = hole.offset + hole.length - at
        sparse_copy.write_all_at(target, at, _BLANK[:left])
