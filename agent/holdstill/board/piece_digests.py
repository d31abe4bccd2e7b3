"""The digests of a file's pieces as they were last read, in a flat file: memory stays flat."""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from tempfile import TemporaryFile
from typing import TYPE_CHECKING

from holdstill.model import pieces

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
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
        earlier: returns the list of an earlier reading, whose pieces are as large as ours, None
            if it is lost. Called when the first digest is noted or asked for, so that a file
            which does not change costs the card nothing.
    """

    def __init__(
        self, handle: int, piece: int, earlier: Callable[[], PieceList | None] | None = None
    ) -> None:
        self._handle, self._earlier = handle, earlier
        self.piece = piece

    def note(self, number: int, digest: bytes) -> None:
        """Note the digest of a piece, b"" for one of zeros. OSError: the earlier ones are lost."""
        self._take_earlier()
        os.pwrite(self._handle, digest or _HOLE, number * RECORD)

    def _take_earlier(self) -> None:
        if self._earlier is None:
            return
        listed = self._earlier()
        if listed is None:
            raise FileNotFoundError(errno.ENOENT, "its list of pieces is lost")
        self._earlier = None
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
        """Return the list of a file of this size, of the digests that were noted last.

        OSError: the earlier ones are lost.
        """
        self._take_earlier()
        return pieces.build(size, self.piece, self._first(-(-size // self.piece)))

    def _first(self, count: int) -> Iterator[bytes]:
        for start in range(0, count, _AT_ONCE):
            length = min(_AT_ONCE, count - start) * RECORD
            records = os.pread(self._handle, length, start * RECORD).ljust(length, b"\0")
            for at in range(0, length, RECORD):
                record = records[at : at + RECORD]
                yield b"" if record == _HOLE else record


@contextmanager
def opened(
    directory: Path,
    piece: int = pieces.PIECE,
    earlier: Callable[[], PieceList | None] | None = None,
) -> Iterator[PieceDigests]:
    """Hold the digests of one file for the length of the block; nothing of them stays.

    Args:
        directory: on the card. Nothing may be noted while it is frozen.
        piece: bytes of a piece.
        earlier: see `PieceDigests`.
    """
    with TemporaryFile(dir=directory, buffering=0) as file:
        yield PieceDigests(file.fileno(), piece, earlier)
