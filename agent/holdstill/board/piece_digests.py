"""The digests of a file's pieces as they were last read, in a flat file: memory stays flat."""

from __future__ import annotations

import os
from contextlib import contextmanager
from tempfile import TemporaryFile
from typing import TYPE_CHECKING

from holdstill.model import pieces

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.pieces import PieceList

RECORD = 32
"""Bytes of a SHA-256; a piece of zeros is a record of zeros, as is one that was never noted."""
_HOLE = bytes(RECORD)
_AT_ONCE = 4096
"""Records of one read."""


class PieceDigests:
    """The digests; `opened` makes one.

    Args:
        handle: of a file that nobody else has.
        piece: bytes of a piece.
    """

    def __init__(self, handle: int, piece: int) -> None:
        self._handle = handle
        self.piece = piece

    def note(self, number: int, digest: bytes) -> None:
        """Note the digest of a piece, b"" for one of zeros."""
        os.pwrite(self._handle, digest or _HOLE, number * RECORD)

    def note_all(self, listed: PieceList) -> None:
        """Note the digests of a whole list, whose pieces are as large as ours."""
        records = bytearray()
        for part in listed.parts():
            records += part.digest or _HOLE * -(-part.length // self.piece)
            if len(records) >= _AT_ONCE * RECORD:
                self._append(records)
        self._append(records)

    def _append(self, records: bytearray) -> None:
        os.pwrite(self._handle, records, os.fstat(self._handle).st_size)
        records.clear()

    def listed(self, size: int) -> PieceList:
        """Return the list of a file of this size, of the digests that were noted last."""
        return pieces.build(size, self.piece, self._first(-(-size // self.piece)))

    def _first(self, count: int) -> Iterator[bytes]:
        for start in range(0, count, _AT_ONCE):
            length = min(_AT_ONCE, count - start) * RECORD
            records = os.pread(self._handle, length, start * RECORD).ljust(length, b"\0")
            for at in range(0, length, RECORD):
                record = records[at : at + RECORD]
                yield b"" if record == _HOLE else record


@contextmanager
def opened(directory: Path, piece: int = pieces.PIECE) -> Iterator[PieceDigests]:
    """Hold the digests of one file for the length of the block; nothing of them stays.

    Args:
        directory: on the card. Nothing may be noted while it is frozen.
        piece: bytes of a piece.
    """
    with TemporaryFile(dir=directory, buffering=0) as file:
        yield PieceDigests(file.fileno(), piece)
