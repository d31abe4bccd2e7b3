"""Lists of pieces: one way to write a file, and nothing else is read."""

from __future__ import annotations

import hashlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import SecurityError
from holdstill.model import pieces
from holdstill.model.pieces import Part, PieceList, Span

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
    return pieces.of_reader(len(body), PIECE, lambda at, count: body[at : at + count])


@given(body=BODIES)
def test_a_file_is_what_its_pieces_make(body: bytes) -> None:
    listed = of(body)
    starts = range(0, len(body), PIECE)
    bodies = {hashlib.sha256(b).digest(): b for b in (body[a : a + PIECE] for a in starts)}

    parts = list(listed.parts())

    assert b"".join(bodies[p.digest] if p.digest else bytes(p.length) for p in parts) == body
    assert [p.offset for p in parts] == [
        sum(q.length for q in parts[:n]) for n in range(len(parts))
    ]
    assert pieces.decode(listed.encode(), "it") == listed
    assert listed.digest() == hashlib.sha256(listed.encode()).digest()
    assert len(listed.encode()) <= pieces.content_limit(len(body), PIECE)


CHUNKS = st.lists(
    st.one_of(
        st.sampled_from([b"a", b"b" * 1000, bytes(500), b"c" * pieces.PIECE, bytes(pieces.PIECE)]),
        st.integers(0, 3 * pieces.PIECE),
    ),
    min_size=1,
    max_size=12,
)


@given(chunks=CHUNKS, is_listed=st.booleans())
def test_a_content_has_one_digest_however_its_bytes_come(
    chunks: list[bytes | int], *, is_listed: bool
) -> None:
    """Numbers stand for so many zero bytes, which need not be given one by one."""
    body = b"".join(bytes(c) if isinstance(c, int) else c for c in chunks) + b"."
    found = pieces.ContentHash(len(body), is_listed=is_listed)

    for chunk in (*chunks, b"."):
        if isinstance(chunk, int):
            found.add_zeroes(chunk)
        else:
            found.update(memoryview(chunk))

    listed = pieces.of_reader(len(body), pieces.PIECE, lambda at, count: body[at : at + count])
    expected = listed.digest() if is_listed else hashlib.sha256(body).digest()
    assert found.digest() == expected


def test_a_tebibyte_of_holes_is_hashed_at_once() -> None:
    found = pieces.ContentHash(1 << 40, is_listed=True)

    found.add_zeroes(1 << 40)

    run = bytes(24) + (1 << 24).to_bytes(8)
    assert found.digest() == PieceList(1 << 40, pieces.PIECE, run).digest()


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


def test_a_piece_that_a_list_names_over_and_over_is_told_once_for_each_length() -> None:
    body = b"a" * PIECE
    digest = hashlib.sha256(body).digest()
    named_again = PieceList(1000 * PIECE + 3, PIECE, digest * 1001)

    assert list(named_again.pieces()) == [(digest, PIECE), (digest, 3)]


def test_a_tebibyte_of_holes_is_a_short_list() -> None:
    listed = pieces.decode(
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
        pieces.decode(data, "the gap")


@given(data=st.binary(max_size=200))
def test_any_bytes_are_a_list_or_are_refused(data: bytes) -> None:
    head = b"holdstill pieces" + data
    try:
        listed = pieces.decode(head, "it")
    except SecurityError:
        return
    assert listed.encode() == head
    assert sum(part.length for part in listed.parts()) == listed.size


@given(old=BODIES, new=BODIES)
def test_two_lists_differ_where_the_bytes_of_their_files_do(old: bytes, new: bytes) -> None:
    size = min(len(old), len(new))
    old, new = old[:size], new[:size]

    spans = list(pieces.differing(of(old), of(new)))

    named = {at for offset, length in spans for at in range(offset, offset + length, PIECE)}
    starts = range(0, size, PIECE)
    assert named == {at for at in starts if old[at : at + PIECE] != new[at : at + PIECE]}
    ends = [offset + length for offset, length in spans]
    assert all(end < span.offset for end, span in zip(ends, spans[1:], strict=False))
    assert all(end <= size for end in ends)


def test_long_runs_of_holes_are_compared_at_once() -> None:
    size = 1 << 50
    count = size // PIECE
    before = pieces.ListBuilder(size, PIECE)
    before.add_holes(count)
    after = pieces.ListBuilder(size, PIECE)
    after.add_holes(count - 2)
    after.add(b"d" * 32)
    after.add_holes(1)

    found = list(pieces.differing(before.built(), after.built()))

    assert found == [Span(size - 2 * PIECE, PIECE)]
