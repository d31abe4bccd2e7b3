"""Sparse copies of byte ranges, hashed in the same pass.

Zeroes are written only where the target does not read as zeroes already: an image stays sparse,
and a card that was discarded is not worn.
"""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

from holdstill.model import pieces
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator

_ZEROES = bytes(files.CHUNK)


class SourceError(OSError):
    """The source cannot be read; errors of the target are plain OSErrors."""


def copy(source: int, target: int, *, size: int, source_at: int = 0, target_at: int = 0) -> bytes:
    """Copy size bytes from one open file into another, holes as holes; return their SHA-256.

    Raises:
        EOFError: the source is shorter.
        SourceError: it cannot be read.
    """
    total = pieces.ContentHash(size, is_listed=False)
    copy_into(total, source, target, size=size, source_at=source_at, target_at=target_at)
    return total.digest()


def copy_into(
    total: pieces.ContentHash,
    source: int,
    target: int,
    *,
    size: int,
    source_at: int = 0,
    target_at: int = 0,
) -> None:
    """Copy as `copy` does, and add what was copied to a hash."""
    source_end = os.lseek(source, 0, os.SEEK_END)
    if source_end < source_at + size:
        raise EOFError(f"the source ended at byte {source_end} of {source_at + size}")
    for position, chunk in _chunks(source, source_at, size):
        total.update(chunk)
        put(target, target_at + position, chunk)


def _chunks(source: int, first: int, size: int) -> Iterator[tuple[int, bytes | memoryview]]:
    """Yield (position from first, bytes) without a gap; holes are zeroes that were not read."""
    position, end = first, first + size
    for data_start, data_end in (*files.data_ranges(source, end, first=first), (end, end)):
        while position < data_start:
            step = min(files.CHUNK, data_start - position)
            yield position - first, memoryview(_ZEROES)[:step]
            position += step
        while position < data_end:
            chunk = _read(source, min(files.CHUNK, data_end - position), position)
            if not chunk:
                raise EOFError(f"the source ended at byte {position} of {end}")
            yield position - first, chunk
            position += len(chunk)


def _read(source: int, length: int, position: int) -> bytes:
    try:
        return os.pread(source, length, position)
    except OSError as error:
        raise SourceError(error.errno, error.strerror) from error


def put(target: int, position: int, chunk: bytes | memoryview) -> None:
    """Write a chunk at a position; zeroes only where the target has other bytes."""
    if is_blank(chunk):
        clear(target, position, len(chunk))
    else:
        write_all_at(target, position, chunk)


def clear(target: int, position: int, length: int) -> None:
    """Make a range read as zeroes, writing only where it does not."""
    for start, end in files.data_ranges(target, position + length, first=position):
        for at in range(start, end, files.CHUNK):
            step = min(files.CHUNK, end - at)
            if not is_blank(os.pread(target, step, at)):
                write_all_at(target, at, memoryview(_ZEROES)[:step])


def is_blank(chunk: bytes | memoryview) -> bool:
    """Whether a chunk is all zeroes."""
    if any(chunk[:8]):  # the common case, without a copy of the chunk
        return False
    # Bytes compare by memcmp(3); memoryviews compare one by one.
    return bytes(chunk) == (_ZEROES if len(chunk) == len(_ZEROES) else bytes(len(chunk)))


def write_all_at(target: int, position: int, chunk: bytes | memoryview) -> None:
    """Write every byte at a position; one pwrite(2) may take fewer."""
    view = memoryview(chunk)
    while view:
        written = os.pwrite(target, view, position)
        view, position = view[written:], position + written


def digest_of(content: bytes) -> bytes:
    """Return the digest that an entry with this content has: b"" when it is empty."""
    return hashlib.sha256(content).digest() if content else b""
