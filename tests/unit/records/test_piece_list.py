"""Lists of pieces: one way to write a file, and nothing else is read."""

from __future__ import annotations

import hashlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.model.pieces import Part
from holdstill.records import piece_list
from holdstill.records.piece_list import PieceList

PIECE = 4096
BODIES = st.lists(
    st.sampled_from([bytes(PIECE), b"a" * PIECE, b"\0" * 100 + b"b" * (PIECE - 100)]),
    min_size=1,
    max_size=9,
).flatmap(
    lambda pieces: st.integers(1, PIECE).map(
        lambda last: b"".join(pieces)[: (len(pieces) - 1) * PIECE + last]
    )
)


def of(body: bytes) -> PieceList:
    return piece_list.of_reader(len(body), PIECE, lambda at, count: body[at : at + count])


@given(body=BODIES)
def test_a_file_is_what_its_pieces_make(body: bytes) -> None:
    listed = of(body)
    pieces = {hashlib.sha256(p).digest(): p for p in (body[a : a + PIECE]
              for a in range(0, len(body), PIECE))}  # fmt: skip

    parts = list(listed.parts())

    assert b"".join(pieces[p.digest] if p.digest else bytes(p.length) for p in parts) == body
    assert [p.offset for p in parts] == [
        sum(q.length for q in parts[:n]) for n in range(len(parts))
    ]
    assert piece_list.decode(listed.encode(), "it") == listed
    assert listed.digest() == hashlib.sha256(listed.encode()).digest()
    assert len(listed.encode()) <= piece_list.content_limit(len(body), PIECE)


@given(body=BODIES)
def test_a_list_that_was_expanded_is_built_again(body: bytes) -> None:
    listed = of(body)
    packed = listed.expanded()
    digests = [packed[at : at + 32] for at in range(0, len(packed), 32)]

    assert len(digests) == -(-len(body) // PIECE)
    assert piece_list.build(listed.size, PIECE, digests) == listed


def test_the_bytes_of_a_list_are_as_documented() -> None:
    """Worked by hand, as `od -w32` of coreutils would show them."""
    body = b"a" * PIECE + bytes(2 * PIECE) + b"end"

    assert of(body).encode() == (
        b"holdstill pieces" + (3 * PIECE + 3).to_bytes(8) + PIECE.to_bytes(4) + (1).to_bytes(4)
        + hashlib.sha256(b"a" * PIECE).digest()
        + bytes(24) + (2).to_bytes(8)
        + hashlib.sha256(b"end").digest()
    )  # fmt: skip
    assert list(of(body).pieces()) == [
        (hashlib.sha256(b"a" * PIECE).digest(), PIECE),
        (hashlib.sha256(b"end").digest(), 3),
    ]


def test_a_tebibyte_of_holes_is_a_short_list() -> None:
    listed = piece_list.decode(
        PieceList(1 << 40, 1 << 16, bytes(24) + (1 << 24).to_bytes(8)).encode(), "it"
    )

    assert list(listed.parts()) == [Part(0, 1 << 40, b"")]


DIGEST = hashlib.sha256(b"x").digest()


def written(
    size: int, piece: int, *records: bytes, magic: bytes = b"holdstill pieces", version: int = 1
) -> bytes:
    return struct.pack(">16sQII", magic, size, piece, version) + b"".join(records)


def holes(count: int) -> bytes:
    return bytes(24) + count.to_bytes(8)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "too short"),
        (b"holdstill pieces", "too short"),
        (written(PIECE, PIECE, DIGEST, magic=b"another magic..."), "not a list"),
        (written(PIECE, PIECE, DIGEST, version=2), "not a list"),
        (written(0, PIECE), "odd sizes"),
        (written(1 << 61, PIECE, holes(1 << 49)), "odd sizes"),
        (written(PIECE, 1000, DIGEST), "odd sizes"),
        (written(PIECE, 0, DIGEST), "odd sizes"),
        (written(PIECE, PIECE, DIGEST + b"x"), "odd sizes"),
        (written(2 * PIECE, PIECE, DIGEST), "do not come to"),
        (written(PIECE, PIECE, DIGEST, DIGEST), "do not come to"),
        (written(PIECE, PIECE, DIGEST, holes(1 << 60)), "do not come to"),
        (written(2 * PIECE, PIECE, holes(0), DIGEST), "odd holes"),
        (written(2 * PIECE, PIECE, holes(1), holes(1)), "odd holes"),
    ],
)
def test_a_list_that_is_not_written_as_lists_are_is_refused(data: bytes, words: str) -> None:
    with pytest.raises(SecurityError, match=f"the gap: .*{words}"):
        piece_list.decode(data, "the gap")


@given(data=st.binary(max_size=200))
def test_any_bytes_are_a_list_or_are_refused(data: bytes) -> None:
    head = b"holdstill pieces" + data
    try:
        listed = piece_list.decode(head, "it")
    except SecurityError:
        return
    assert listed.encode() == head
    assert sum(part.length for part in listed.parts()) == listed.size
