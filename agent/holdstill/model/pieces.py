"""How a large file is stored, of which a part changes at a time: as a list of pieces.

A list is a content itself, and its SHA-256 stands for the file's content wherever a digest does:
for every file of PIECED_FROM bytes and more, and for what a manifest names beside the files. It is
made of records of 32 bytes, so that `od -w32` shows one a line:

    magic "holdstill pieces", size of the file (u64), size of a piece (u32), version (u32)
    SHA-256 of a piece, or a run of holes: 24 zero bytes and the number of pieces (u64)
    ...

Numbers are big-endian. Every piece has the same size but for the last. A piece of zeros is a hole.
There is one way to write a file as a list: runs of holes are as long as they can be, and a list
that is written otherwise is refused.
"""

from __future__ import annotations

import hashlib
import struct
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import SecurityError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

PIECE = 64 << 10
"""Bytes of a piece of a file: a third of what 256 KiB add to a store night by night."""
PIECED_FROM = 16 << 20
"""Bytes of a file from which on it is stored in pieces; smaller ones rarely change in part."""
LIMIT = 256 << 20
"""Bytes of a list that we are willing to read: 512 GiB of file without a hole."""
RECORD = 32
_MAGIC, _VERSION = b"holdstill pieces", 1
_HEADER = struct.Struct(">16sQII")
HEADER_SIZE = _HEADER.size
_RUN = struct.Struct(">24xQ")
_NO_DIGEST = bytes(24)
_SIZES = frozenset(1 << power for power in range(12, 25))
"""Bytes that a piece may have: 4 KiB to 16 MiB, powers of two."""
_BLANK = bytes(PIECE)
_REMEMBERED = 1 << 16
"""Pieces of a list that are not named again, at a time."""


class Part(NamedTuple):
    """A part of a file that is stored in pieces.

    Attributes:
        offset, length: where it lies in the file, bytes.
        digest: SHA-256 of its bytes, 32 bytes; b"" for a hole.
    """

    offset: int
    length: int
    digest: bytes


class Span(NamedTuple):
    """A range of a file, in bytes."""

    offset: int
    length: int


class PieceList(NamedTuple):
    """A list as read.

    Attributes:
        size: bytes of the file.
        piece: bytes of a piece.
        records: of the pieces, packed.
    """

    size: int
    piece: int
    records: bytes

    @property
    def encoded_size(self) -> int:
        """How many bytes the list has as a content."""
        return _HEADER.size + len(self.records)

    def encode(self) -> bytes:
        """Return the bytes of the list as a content."""
        return _HEADER.pack(_MAGIC, self.size, self.piece, _VERSION) + self.records

    def digest(self) -> bytes:
        """Return the SHA-256 of the list, which stands for the file."""
        return hashlib.sha256(self.encode()).digest()

    def parts(self) -> Iterator[Part]:
        """Yield the pieces and runs of holes in order; together they cover the file."""
        offset = 0
        for record in _records(self.records):
            count = _holes(record)
            length = min((count or 1) * self.piece, self.size - offset)
            yield Part(offset, length, b"" if count else record)
            offset += length

    def pieces(self) -> Iterator[tuple[bytes, int]]:
        """Yield (digest, size) of every piece that is a content; few of them come twice.

        A list of somebody who means harm may name one piece millions of times.
        """
        seen: set[bytes] = set()
        for part in self.parts():
            if not part.digest or (part.digest in seen and part.length == self.piece):
                continue
            if len(seen) >= _REMEMBERED:
                seen.clear()
            seen.add(part.digest)
            yield part.digest, part.length


class ListBuilder:
    """Makes a list of the pieces of a file, which come in order."""

    def __init__(self, size: int, piece: int = PIECE) -> None:
        self._size, self._piece = size, piece
        self._records = bytearray()
        self._run = 0

    def add(self, digest: bytes) -> None:
        """Add a piece by its SHA-256; b"" for a hole."""
        if not digest:
            self.add_holes(1)
            return
        self._end_run()
        self._records += digest

    def add_holes(self, count: int) -> None:
        """Add pieces that are holes."""
        self._run += count

    def _end_run(self) -> None:
        if self._run:
            self._records += _RUN.pack(self._run)
            self._run = 0

    def built(self) -> PieceList:
        """Return the list of all pieces that were added."""
        self._end_run()
        return PieceList(self._size, self._piece, bytes(self._records))


class ContentHash:
    """The digest of a file's content as captures name it, from its bytes in order.

    Args:
        size: bytes of the file; decides whether it is of the bytes, or of the list of pieces.
        is_listed: decides that in its place.
    """

    def __init__(self, size: int, *, is_listed: bool | None = None) -> None:
        is_list = is_pieced(size) if is_listed is None else is_listed
        self._whole = None if is_list else hashlib.sha256()
        self._list = ListBuilder(size)
        self._rest = bytearray()

    def update(self, data: bytes | memoryview) -> None:
        """Add bytes."""
        if self._whole is not None:
            self._whole.update(data)
            return
        view = memoryview(data)
        if self._rest:
            taken = min(PIECE - len(self._rest), len(view))
            self._rest += view[:taken]
            view = view[taken:]
            if len(self._rest) == PIECE:
                self._list.add(piece_digest(self._rest))
                self._rest.clear()
        while len(view) >= PIECE:
            self._list.add(piece_digest(view[:PIECE]))
            view = view[PIECE:]
        self._rest += view

    def add_zeroes(self, count: int) -> None:
        """Add zero bytes; whole pieces of them cost nothing."""
        while count > 0:
            whole = count // PIECE
            if self._whole is None and not self._rest and whole:
                self._list.add_holes(whole)
                count -= whole * PIECE
                continue
            step = min(count, PIECE - len(self._rest) if self._whole is None else PIECE)
            self.update(memoryview(_BLANK)[:step])
            count -= step

    def digest(self) -> bytes:
        """Return the digest of all that was added."""
        if self._whole is not None:
            return self._whole.digest()
        if self._rest:
            self._list.add(piece_digest(self._rest))
            self._rest.clear()
        return self._list.built().digest()


def is_pieced(size: int) -> bool:
    """Return whether the content of a file of this size is stored in pieces."""
    return size >= PIECED_FROM


def _records(packed: bytes) -> Iterator[bytes]:
    for at in range(0, len(packed), RECORD):
        yield packed[at : at + RECORD]


def _holes(record: bytes) -> int:
    """Return how many pieces a record says are holes, 0 for a piece."""
    return _RUN.unpack(record)[0] if record.startswith(_NO_DIGEST) else 0


def build(size: int, piece: int, digests: Iterable[bytes]) -> PieceList:
    """Make a list of the digests of all pieces in order; b"" for a hole."""
    builder = ListBuilder(size, piece)
    for digest in digests:
        builder.add(digest)
    return builder.built()


def of_reader(size: int, piece: int, read: Callable[[int, int], bytes]) -> PieceList:
    """Make a list by reading a file piece by piece: read(offset, length) returns its bytes."""
    starts = range(0, size, piece)
    return build(
        size, piece, (piece_digest(read(start, min(piece, size - start))) for start in starts)
    )


def differing(old: PieceList, new: PieceList) -> Iterator[Span]:
    """Yield the ranges in which two lists of files of one size differ, neighbours as one."""
    start = end = 0
    for position, stop, is_same in _side_by_side(old.parts(), new.parts(), old.size):
        if is_same:
            continue
        if position > end:
            if end:
                yield Span(start, end - start)
            start = position
        end = stop
    if end:
        yield Span(start, end - start)


def _side_by_side(
    left: Iterator[Part], right: Iterator[Part], size: int
) -> Iterator[tuple[int, int, bool]]:
    """Yield (start, end, whether both are the same) of what lies in one part of either file."""
    one = other = Part(0, 0, b"")
    position = 0
    while position < size:
        one = next(left) if one.offset + one.length == position else one
        other = next(right) if other.offset + other.length == position else other
        stop = min(one.offset + one.length, other.offset + other.length)
        yield position, stop, one.digest == other.digest
        position = stop


def piece_digest(data: bytes | bytearray | memoryview) -> bytes:
    """Return the SHA-256 of a piece; b"" if it is all zeros."""
    # The common case first, without a copy; then bytes compare by memcmp(3).
    if not any(data[:8]) and bytes(data) == (_BLANK if len(data) == PIECE else bytes(len(data))):
        return b""
    return hashlib.sha256(data).digest()


def decode(data: bytes, what: str) -> PieceList:
    """Read a list that may come from anybody; `what` names it in the error.

    Raises:
        SecurityError: it is no list, or not written as lists are.
    """
    return decode_halves(data[:HEADER_SIZE], data[HEADER_SIZE:], what)


def decode_halves(header: bytes, records: bytes, what: str) -> PieceList:
    """Do so with the bytes of the header and all others, which may be many and are not copied."""
    try:
        magic, size, piece, version = _HEADER.unpack(header)
    except struct.error as error:
        raise SecurityError(f"{what}: too short for a list of pieces") from error
    if (magic, version) != (_MAGIC, _VERSION):
        raise SecurityError(f"{what}: not a list of pieces of version {_VERSION}")
    found = PieceList(size, piece, records)
    if piece not in _SIZES or not 0 < size <= 1 << 60 or len(found.records) % RECORD:
        raise SecurityError(f"{what}: odd sizes in a list of pieces")
    count, before = 0, 0
    for record in _records(found.records):
        holes = _holes(record)
        if record.startswith(_NO_DIGEST) and (holes == 0 or before):
            raise SecurityError(f"{what}: odd holes in a list of pieces")
        count, before = count + (holes or 1), holes
        if count > -(-size // piece):
            break
    if count != -(-size // piece):
        raise SecurityError(f"{what}: the pieces do not come to the size of the file")
    return found


def content_limit(size: int, piece: int) -> int:
    """Return the most bytes that the list of a file of this size has."""
    return _HEADER.size + RECORD * -(-size // piece)
