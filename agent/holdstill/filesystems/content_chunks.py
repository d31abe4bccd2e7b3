"""The bytes of a captured file for somebody elsewhere: each is checked before the last is given.

Who reads them can only tell that they end. So a stored part that is not what its SHA-256 says ends
in an error while bytes of it are still due: what is damaged is never short or wrong quietly.
"""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.filesystems import writer_input
from holdstill.model import entries, paths, pieces

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import Part
    from holdstill.model.sealed_capture import ContentSource

CHUNK = 16 << 10
"""Bytes that are held of a file at a time."""
_BLANK = bytes(CHUNK)


def chunks(contents: ContentSource, entry: Entry) -> Iterator[bytes]:
    """Yield a regular file's bytes in order; holes are zeros.

    Raises:
        UsageError: its content was not captured.
        VerificationError: it is another one than was captured, or the store lacks it.
        TargetFailedError: the store's disk does not give it.
    """
    check_captured(entry)
    for part in writer_input.stored_parts(contents, entry) if entry.size else ():
        yield from checked_part(contents, entry, part) if part.digest else _zeros(part.length)


def checked_part(contents: ContentSource, entry: Entry, part: Part) -> Iterator[bytes]:
    """Yield the bytes of one stored part of a file, the last ones only if all are right.

    Raises: as `chunks`.
    """
    handle = _opened(contents, entry, part)
    try:
        total, left = hashlib.sha256(), part.length
        while left:
            data = _read(handle, min(left, CHUNK), entry)
            total.update(data)
            left -= len(data)
            if not data or (not left and total.digest() != part.digest):
                raise writer_input.not_the_content(entry, writer_input.OTHER_BYTES)
            yield data
    finally:
        os.close(handle)


def check_first(contents: ContentSource, entry: Entry) -> None:
    """Check what can be checked of a file before its first byte is given.

    That is all of a small one; of one in pieces the first of them, and that all are there.

    Raises: as `chunks`.
    """
    if not pieces.is_pieced(entry.size):
        for _ in chunks(contents, entry):
            pass
        return
    check_captured(entry)
    is_first = True
    for part in writer_input.stored_parts(contents, entry):
        if part.digest and is_first:
            is_first = False
            for _ in checked_part(contents, entry, part):
                pass
        elif part.digest:
            os.close(_opened(contents, entry, part))


def head(contents: ContentSource, entry: Entry, limit: int) -> bytes:
    """Return the first bytes of a file, at most limit; checked, and so is all of a small file.

    Raises: as `chunks`.
    """
    found = bytearray()
    for data in chunks(contents, entry):
        found += data[: limit - len(found)]
        if len(found) == limit and pieces.is_pieced(entry.size):
            break
    return bytes(found)


def check_captured(entry: Entry) -> None:
    """Refuse a file whose content was not captured.

    Raises:
        UsageError: it was not.
    """
    if entry.size and not entry.digest:
        raise UsageError(
            f"the content of /{paths.display(entry.path)} is not in the capture "
            f"({entry.omitted.name.lower()})"
        )


def _zeros(length: int) -> Iterator[bytes]:
    while length:
        count = min(length, CHUNK)
        yield _BLANK[:count]
        length -= count


def _opened(contents: ContentSource, entry: Entry, part: Part) -> int:
    """Open a part; the caller closes it."""
    handle = writer_input.handle_of(contents, entries.with_digest(entry, part.digest))
    there = os.fstat(handle).st_size
    if there != part.length:
        os.close(handle)
        what = writer_input.other_size(there, part.length)
        raise writer_input.not_the_content(entry, what)
    return handle


def _read(handle: int, count: int, entry: Entry) -> bytes:
    try:
        return os.read(handle, count)
    except OSError as error:
        raise writer_input.unreadable(entry, str(error.strerror)) from error
