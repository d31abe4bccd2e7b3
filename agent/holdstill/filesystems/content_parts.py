"""The content of a file as a sequence of parts, however it is stored: the one way to read it."""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import DamagedContentError, SecurityError, VerificationError
from holdstill.model import pieces
from holdstill.model.sizes import human
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import Part, PieceList
    from holdstill.model.sealed_capture import ContentSource


class OpenPart(NamedTuple):
    """A part of a content, open for reading.

    Attributes:
        offset, length: where it lies in the file, bytes.
        handle: a descriptor that begins with this part, and has no more; None for a hole.
    """

    offset: int
    length: int
    handle: int | None


def open_parts(contents: ContentSource, entry: Entry) -> Iterator[OpenPart]:
    """Yield the parts of a file's content in order; each is closed when the next is drawn.

    Raises:
        VerificationError: the store lacks it, or it has another size.
        SecurityError: its list of pieces is none.
        OSError: it cannot be read.
    """
    for part in stored_parts(contents, entry):
        if not part.digest:
            yield OpenPart(part.offset, part.length, None)
            continue
        handle = contents.open(part.digest)
        try:
            there = os.fstat(handle).st_size
            if there != part.length:
                raise VerificationError(f"it has {there} bytes instead of {part.length}")
            yield OpenPart(part.offset, part.length, handle)
        finally:
            os.close(handle)


def stored_parts(contents: ContentSource, entry: Entry) -> Iterator[Part]:
    """Yield the parts of a file's content in order; the next ones can be opened at once.

    Raises: as `open_parts`.
    """
    if not pieces.is_pieced(entry.size):
        yield pieces.Part(0, entry.size, entry.digest)
        return
    listed = read_list(contents, entry.digest, entry.size)
    yield from contents.prefetch_pieces(listed.parts())


def read_list(contents: ContentSource, digest: bytes, size: int) -> PieceList:
    """Return the list of pieces of a file of this size.

    Raises: as `open_parts`.
    """
    what = "its list of pieces"
    limit = min(pieces.LIMIT, pieces.content_limit(size, pieces.PIECE))
    listed = checked_list(contents, digest, limit, what)
    if (listed.size, listed.piece) != (size, pieces.PIECE):
        raise SecurityError(f"{what} is of {listed.size} bytes, not {size}")
    return listed


def checked_list(contents: ContentSource, digest: bytes, limit: int, what: str) -> PieceList:
    """Return a list of pieces of at most limit bytes; `what` names it in errors.

    It is held in memory once: it may have 256 MiB.

    Raises: as `open_parts`.
    """
    handle = contents.open(digest)
    try:
        check_size(handle, digest, limit, what)
        header = os.pread(handle, pieces.HEADER_SIZE, 0)
        rest = max(0, os.fstat(handle).st_size - pieces.HEADER_SIZE)
        records = os.pread(handle, rest, pieces.HEADER_SIZE)
    finally:
        os.close(handle)
    total = hashlib.sha256(header)
    total.update(records)
    if total.digest() != digest:
        raise DamagedContentError(what, digest.hex())
    return pieces.decode_halves(header, records, what)


def check_size(handle: int, digest: bytes, limit: int, what: str) -> int:
    """Return the size of an open content that may have at most limit bytes.

    Raises:
        DamagedContentError: it has more, and these are not what its name says.
        SecurityError: it has more.
    """
    size = os.fstat(handle).st_size
    if size > limit and files.hash_open_file(handle, size) != digest:
        raise DamagedContentError(what, digest.hex())
    if size > limit:
        raise SecurityError(f"{what} has {human(size)}, more than it can have")
    return size
