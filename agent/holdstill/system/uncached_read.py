"""Reads files from the medium past the page cache, at the lowest priority."""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, NamedTuple

from holdstill.model import pieces
from holdstill.system import files, libc

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.pieces import PieceList

ALIGNMENT = 4096
"""Positions and lengths of direct reads: a multiple of every card's sector size (open(2))."""
MOST_UNREADABLE = 16
"""Pieces of a file that a medium may refuse before no more are asked for: each can take half a
minute of retries in the kernel, and the rest is seldom better."""


UNREADABLE = b"\xff" * 32


class PiecesRead(NamedTuple):
    """A file in pieces, as its medium has it now.

    Attributes:
        listed: its pieces; those that cannot be read have the digest UNREADABLE.
        unreadable: their offsets.
        end: offset at which reading was given up; its size if it was not.
    """

    listed: PieceList
    unreadable: tuple[int, ...]
    end: int


def lower_priority() -> None:
    """Lower our priority for the processor and the disk below every other process's, if we may."""
    with suppress(OSError):
        os.nice(19)
    with suppress(OSError):
        libc.make_io_idle()


def hash_uncached(handle: int, size: int) -> bytes:
    """Return the digest of a content of size bytes as its medium has them now.

    Pages that no process has mapped are dropped from the cache first; then the file is read with
    O_DIRECT, which also bypasses mapped pages, such as those of a running program. On file
    systems without O_DIRECT it is read through the cache. A file that shrinks meanwhile gives a
    digest of something else, or EOFError.

    Raises:
        OSError: EIO where the medium cannot be read.
    """
    try:
        with _past_the_cache(handle):
            return _hashed(handle, size)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
    return files.content_digest(handle, size)


@contextmanager
def _past_the_cache(handle: int) -> Iterator[None]:
    """Read with O_DIRECT for the length of the block; EINVAL where there is none."""
    os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    flags = fcntl.fcntl(handle, fcntl.F_GETFL)
    try:
        fcntl.fcntl(handle, fcntl.F_SETFL, flags | os.O_DIRECT)
        yield
    finally:
        fcntl.fcntl(handle, fcntl.F_SETFL, flags)


def _hashed(handle: int, size: int) -> bytes:
    total = pieces.ContentHash(size)
    position = 0
    with mmap.mmap(-1, files.CHUNK) as buffer, memoryview(buffer) as view:
        for start, end in files.data_ranges(handle, size):
            first = max(position, start - start % ALIGNMENT)
            total.add_zeroes(first - position)
            position = first
            while position < end:
                wanted = min(files.CHUNK, -(-(end - position) // ALIGNMENT) * ALIGNMENT)
                got = os.preadv(handle, [view[:wanted]], position)
                if not got:
                    raise EOFError(f"file ended at byte {position} of {size}")
                used = min(got, size - position)
                total.update(view[:used])
                position += used
    total.add_zeroes(size - position)
    return total.digest()


def read_pieces(handle: int, size: int) -> PiecesRead:
    """Read a file piece by piece as its medium has it now, going on behind what it does not give.

    As `hash_uncached` otherwise; EIO is no error here.
    """
    try:
        with _past_the_cache(handle):
            return _pieces_read(handle, size)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
    return _pieces_read(handle, size)


def _pieces_read(handle: int, size: int) -> PiecesRead:
    found, unreadable = pieces.ListBuilder(size), list[int]()
    position, end = 0, size
    with mmap.mmap(-1, pieces.PIECE) as buffer, memoryview(buffer) as view:
        for start in _piece_starts(handle, size):
            if len(unreadable) == MOST_UNREADABLE:
                end = start
                break
            found.add_holes((start - position) // pieces.PIECE)
            try:
                found.add(_piece_digest(handle, view, start, min(pieces.PIECE, size - start)))
            except OSError as error:
                if error.errno != errno.EIO:
                    raise
                found.add(UNREADABLE)
                unreadable.append(start)
            position = start + pieces.PIECE
    found.add_holes(-(-(size - position) // pieces.PIECE))
    return PiecesRead(found.built(), tuple(unreadable), end)


def _piece_starts(handle: int, size: int) -> Iterator[int]:
    """Yield the offsets of the pieces of a file that have data, in order."""
    first = 0
    for start, end in files.data_ranges(handle, size):
        first = max(first, start - start % pieces.PIECE)
        yield from range(first, end, pieces.PIECE)
        first = max(first, -(-end // pieces.PIECE) * pieces.PIECE)


def _piece_digest(handle: int, room: memoryview, start: int, length: int) -> bytes:
    """Read a piece into some room, and return its digest; b"" for zeros."""
    filled = 0
    while filled < length:
        got = os.preadv(handle, [room[filled:]], start + filled)
        if not got:
            raise EOFError(f"file ended at byte {start + filled} of {start + length}")
        filled += got
    return pieces.piece_digest(room[:length])
