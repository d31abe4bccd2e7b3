"""Lists of pieces: how a large file is stored, of which a part changes at a time.

A list is a content itself, and its SHA-256 stands for the file's content wherever a digest does.
It is made of records of 32 bytes, so that `od -w32` shows one a line:

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
from holdstill.model.pieces import Part
from holdstill.system import sparse_copy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

PIECE = 64 << 10
"""Bytes of a piece of a file: a third of what 256 KiB add to a store night by night."""
PIECED_FROM = 16 << 20
"""Bytes of a file from which on it is stored in pieces; smaller ones rarely change in part."""
LIMIT = 256 << 20
"""Bytes of a list that we are willing to read: 512 GiB of file without a hole."""
_MAGIC, _VERSION = b"holdstill pieces", 1
_HEADER = struct.Struct(">16sQII")
_RUN = struct.Struct(">24xQ")
_NO_DIGEST = bytes(24)
RECORD = 32
_SIZES = frozenset(1 << power for power in range(12, 25))
"""Bytes that a piece may have: 4 KiB to 16 MiB, powers of two."""


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

    def encode(self) -> bytes:
        """Return the bytes of the list as a content."""
        return _HEADER.pack(_MAGIC, self.size, self.piece, _VERSION) + self.records

    def digest(self) -> bytes:
        """Return the SHA-256 of the list, which stands for the file."""
        return hashlib.sha256(self.encode()).digest()

    def parts(self) -> Iterator[Part]:
        """Yield the pieces and runs of holes in order; together they cover the file."""
        offset = 0
        for at in range(0, len(self.records), RECORD):
            record = self.records[at : at + RECORD]
            count = _holes(record)
            length = min((count or 1) * self.piece, self.size - offset)
            yield Part(offset, length, b"" if count else record)
            offset += length

    def pieces(self) -> Iterator[tuple[bytes, int]]:
        """Yield (digest, size) of every piece that is a content; some may come twice."""
        for part in self.parts():
            if part.digest:
                yield part.digest, part.length

    def expanded(self) -> bytes:
        """Return 32 bytes for each piece, zeros for a hole: what a next list is made from."""
        return b"".join(
            record if not (count := _holes(record)) else bytes(RECORD * count)
            for record in _records(self.records)
        )


def _records(packed: bytes) -> Iterator[bytes]:
    for at in range(0, len(packed), RECORD):
        yield packed[at : at + RECORD]


def _holes(record: bytes) -> int:
    """Return how many pieces a record says are holes, 0 for a piece."""
    return _RUN.unpack(record)[0] if record.startswith(_NO_DIGEST) else 0


def build(size: int, piece: int, digests: Iterable[bytes]) -> PieceList:
    """Make a list of the digests of all pieces in order; b"" or 32 zero bytes for a hole."""
    records = bytearray()
    holes = 0
    for digest in digests:
        if not digest.strip(b"\0"):
            holes += 1
            continue
        if holes:
            records += _RUN.pack(holes)
            holes = 0
        records += digest
    if holes:
        records += _RUN.pack(holes)
    return PieceList(size, piece, bytes(records))


def of_reader(size: int, piece: int, read: Callable[[int, int], bytes]) -> PieceList:
    """Make a list by reading a file piece by piece: read(offset, length) returns its bytes."""
    starts = range(0, size, piece)
    return build(
        size, piece, (piece_digest(read(start, min(piece, size - start))) for start in starts)
    )


def piece_digest(data: bytes | memoryview) -> bytes:
    """Return the SHA-256 of a piece; b"" if it is all zeros."""
    return b"" if sparse_copy.is_blank(data) else hashlib.sha256(data).digest()


def decode(data: bytes, what: str) -> PieceList:
    """Read a list that may come from anybody; `what` names it in the error.

    Raises:
        SecurityError: it is no list, or not written as lists are.
    """
    try:
        magic, size, piece, version = _HEADER.unpack_from(data)
    except struct.error as error:
        raise SecurityError(f"{what}: too short for a list of pieces") from error
    if (magic, version) != (_MAGIC, _VERSION):
        raise SecurityError(f"{what}: not a list of pieces of version {_VERSION}")
    found = PieceList(size, piece, bytes(data[_HEADER.size :]))
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
