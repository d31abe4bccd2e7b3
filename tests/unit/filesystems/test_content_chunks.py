from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import UsageError, VerificationError
from holdstill.filesystems import content_chunks
from holdstill.model import pieces
from holdstill.model.entries import Entry, EntryType, Omitted
from support import contents as making
from support.contents import FolderContents

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SIZES = [0, 1, content_chunks.CHUNK, content_chunks.CHUNK + 1, 300_000]


@pytest.fixture
def contents(tmp_path: Path) -> FolderContents:
    return FolderContents(tmp_path / "contents")


def pieced() -> bytes:
    """Return bytes that are stored in pieces, with holes between, and at the end."""
    data = bytearray(pieces.PIECED_FROM + 3 * pieces.PIECE + 5)
    for place in (0, 1, 7, 200):
        data[place * pieces.PIECE : (place + 1) * pieces.PIECE] = os.urandom(pieces.PIECE)
    return bytes(data)


@pytest.mark.parametrize("size", SIZES)
def test_all_bytes_come(contents: FolderContents, size: int) -> None:
    data = os.urandom(size)
    entry = making.a_file(contents, b"x", data)

    content_chunks.check_first(contents, entry)

    assert b"".join(content_chunks.chunks(contents, entry)) == data
    assert content_chunks.head(contents, entry, 1000) == data[:1000]


def test_a_file_in_pieces_comes_whole_and_in_little(contents: FolderContents) -> None:
    data = pieced()
    entry = making.a_file(contents, b"x", data)

    content_chunks.check_first(contents, entry)
    found = list(content_chunks.chunks(contents, entry))

    assert b"".join(found) == data
    assert max(map(len, found)) <= content_chunks.CHUNK
    assert content_chunks.head(contents, entry, 100_000) == data[:100_000]


@pytest.mark.parametrize("size", SIZES[1:])
def test_of_a_damaged_file_the_last_bytes_do_not_come(contents: FolderContents, size: int) -> None:
    data = os.urandom(size)
    entry = making.a_file(contents, b"x", data)
    path = contents.folder / entry.digest.hex()
    path.write_bytes(bytes([data[0] ^ 1]) + data[1:])
    found: list[bytes] = []

    with pytest.raises(VerificationError, match="not the captured one"):
        _take(content_chunks.chunks(contents, entry), found)
    with pytest.raises(VerificationError):
        content_chunks.check_first(contents, entry)

    assert sum(map(len, found)) < size


@pytest.mark.parametrize("size", [-1, 1])
def test_a_file_of_another_length_does_not_begin(contents: FolderContents, size: int) -> None:
    entry = making.a_file(contents, b"x", b"tide")
    (contents.folder / entry.digest.hex()).write_bytes(b"tide!"[: 4 + size])

    with pytest.raises(VerificationError, match="instead of 4"):
        next(content_chunks.chunks(contents, entry))


def test_a_missing_piece_is_told_before_the_first_byte(contents: FolderContents) -> None:
    data = pieced()
    entry = making.a_file(contents, b"x", data)
    last = pieces.of_reader(len(data), pieces.PIECE, lambda at, count: data[at : at + count])
    *_, part = [part for part in last.parts() if part.digest]
    (contents.folder / part.digest.hex()).write_bytes(b"short")

    with pytest.raises(VerificationError, match="instead of"):
        content_chunks.check_first(contents, entry)


def test_what_was_not_captured_is_no_empty_file(contents: FolderContents) -> None:
    swap = Entry(b"", b"swap", EntryType.FILE, size=4096, omitted=Omitted.SWAP)

    for act in (content_chunks.check_first, lambda *at: next(content_chunks.chunks(*at))):
        with pytest.raises(UsageError, match="swap"):
            act(contents, swap)


def _take(parts: Iterator[bytes], found: list[bytes]) -> None:
    """Keep also what came before an error."""
    for part in parts:
        found.append(part)  # noqa: PERF402
