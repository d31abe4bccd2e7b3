"""What a manifest names beside its files (index, boot gap, raw areas), put together of its pieces.

Every byte is checked against its digest on the way; what comes out is what the board signed.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import DamagedContentError, SecurityError, VerificationError
from holdstill.filesystems import content_parts
from holdstill.model import pieces
from holdstill.model.sizes import human
from holdstill.records import index_file
from holdstill.system import files, sparse_copy, work_folder

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

    from holdstill.model.manifest import Attachment
    from holdstill.model.pieces import Part, PieceList
    from holdstill.model.sealed_capture import ContentSource, IndexedCapture
    from holdstill.records.index_queries import Index

LEAST_PIECE = 4096


def read_list(source: ContentSource, attachment: Attachment) -> PieceList:
    """Return the list of pieces of an attachment.

    Raises:
        VerificationError: it is not there, or its bytes are not those that were sealed.
        SecurityError: it is no list, or one of a file of another size.
    """
    limit = min(pieces.LIMIT, pieces.content_limit(attachment.size, LEAST_PIECE))
    digest = bytes.fromhex(attachment.sha256)
    what = f"the list of {attachment.name}"
    with _told(digest, what):
        listed = content_parts.checked_list(source, digest, limit, what)
    if listed.size != attachment.size:
        raise SecurityError(
            f"{what} is of {listed.size} bytes, the manifest says {attachment.size}"
        )
    return listed


def _read(source: ContentSource, digest: bytes, limit: int, what: str) -> bytes:
    """Read a content of at most limit bytes, and check it."""
    handle = source.open(digest)
    try:
        with _told(digest, what):
            size = content_parts.check_size(handle, digest, limit, what)
            data = os.pread(handle, size, 0)
    finally:
        os.close(handle)
    if hashlib.sha256(data).digest() != digest:
        raise DamagedContentError(what, digest.hex())
    return data


@contextmanager
def _told(digest: bytes, what: str) -> Iterator[None]:
    """Tell what a disk does not give by what it is."""
    try:
        yield
    except OSError as error:
        raise VerificationError(
            f"{what} cannot be read: {error.strerror} (content {digest.hex()})",
            hint="`holdstill verify BOARD` at the keeper names the file and what to do",
        ) from error


def parts(
    source: ContentSource, listed: PieceList, name: str, only: Collection[Part] | None = None
) -> Iterator[tuple[Part, bytes]]:
    """Yield the pieces of a list that are no holes, each with its bytes, checked; all or some."""
    wanted = (part for part in listed.parts() if part.digest and (only is None or part in only))
    for part in source.prefetch_pieces(wanted):
        data = _read(source, part.digest, part.length, f"a piece of {name}")
        if len(data) != part.length:
            raise SecurityError(f"a piece of {name} has {len(data)} bytes, not {part.length}")
        yield part, data


def copy(source: ContentSource, attachment: Attachment, target: int, *, at: int = 0) -> None:
    """Write an attachment into an open file or device at an offset; holes are left as they are."""
    for part, data in parts(source, read_list(source, attachment), attachment.name):
        sparse_copy.write_all_at(target, at + part.offset, data)


def read(source: ContentSource, attachment: Attachment, *, limit: int) -> bytes:
    """Return the bytes of a small attachment.

    Raises:
        SecurityError: it has more than limit bytes.
    """
    if attachment.size > limit:
        raise SecurityError(f"{attachment.name} has {human(attachment.size)}: more than it can")
    data = bytearray(attachment.size)
    for part, piece in parts(source, read_list(source, attachment), attachment.name):
        data[part.offset : part.offset + part.length] = piece
    return bytes(data)


@contextmanager
def as_file(source: ContentSource, attachment: Attachment) -> Iterator[Path]:
    """Hold an attachment as a file for the length of the block."""
    with work_folder.made() as folder:
        path = folder / "attachment"
        write(source, attachment, path)
        yield path


def write(source: ContentSource, attachment: Attachment, path: Path) -> None:
    """Write an attachment into a new file."""
    with files.opened_new(path) as target:
        os.ftruncate(target, attachment.size)
        copy(source, attachment, target)


@contextmanager
def opened_index(capture: IndexedCapture) -> Iterator[Index]:
    """Hold the index of a capture open for reading; it may come from anybody.

    Raises:
        VerificationError: it is not there, or damaged.
        SecurityError: it is not an index, or holds more than an index does.
    """
    with (
        as_file(capture, capture.manifest().index) as path,
        index_file.opened(path) as index,
    ):
        yield index
