"""Digests in a flat file give the list that they make."""

import os
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdstill.board import piece_digests
from holdstill.model import pieces

DIGESTS = st.one_of(st.just(b""), st.binary(min_size=32, max_size=32).filter(any))


@settings(deadline=None)
@given(notes=st.dictionaries(st.integers(0, 40), DIGESTS, max_size=20), count=st.integers(1, 40))
def test_a_list_has_what_was_noted_last_and_holes_where_nothing_was(
    notes: dict[int, bytes], count: int
) -> None:
    wanted = [notes.get(number, b"") for number in range(count)]
    with (
        tempfile.TemporaryDirectory() as folder,
        piece_digests.opened(Path(folder)) as digests,
    ):
        for number, digest in notes.items():
            digests.note(number, os.urandom(32))
            digests.note(number, digest)

        listed = digests.listed(count * pieces.PIECE)

        assert listed == pieces.build(count * pieces.PIECE, pieces.PIECE, wanted)


def test_more_records_than_are_read_at_once(tmp_path: Path) -> None:
    count = 2 * 4096 + 5
    with piece_digests.opened(tmp_path) as digests:
        for number in range(count):
            digests.note(number, b"%032d" % number)
        listed = digests.listed(count * pieces.PIECE - 1)

    found = [digest for digest, _ in listed.pieces()]
    assert found == [b"%032d" % number for number in range(count)]


def test_nothing_of_it_stays(tmp_path: Path) -> None:
    with piece_digests.opened(tmp_path) as digests:
        digests.note(3, b"x" * 32)

    assert list(tmp_path.iterdir()) == []


@settings(deadline=None)
@given(
    runs=st.lists(st.tuples(DIGESTS, st.sampled_from([1, 3, 5000])), min_size=1, max_size=5),
    short=st.integers(0, pieces.PIECE - 1),
)
def test_a_list_that_was_noted_whole_is_that_list_again(
    runs: list[tuple[bytes, int]], short: int
) -> None:
    wanted = [digest for digest, count in runs for _ in range(count)]
    size = len(wanted) * pieces.PIECE - short
    whole = pieces.build(size, pieces.PIECE, wanted)
    with (
        tempfile.TemporaryDirectory() as folder,
        piece_digests.opened(Path(folder), earlier=lambda: whole) as digests,
    ):
        assert digests.listed(size) == whole


def test_a_digest_that_is_noted_takes_the_place_of_the_earlier_one(tmp_path: Path) -> None:
    size = 5000 * pieces.PIECE
    whole = pieces.build(size, pieces.PIECE, [b"a" * 32] * 5000)
    wanted = pieces.build(size, pieces.PIECE, [*[b"a" * 32] * 4998, b"b" * 32, b"a" * 32])
    with piece_digests.opened(tmp_path, earlier=lambda: whole) as digests:
        assert list(tmp_path.iterdir()) == []  # and it has no name, so nothing of it can stay
        digests.note(4998, b"b" * 32)

        assert digests.listed(size) == wanted


def test_an_earlier_list_that_is_lost_is_told_and_nothing_is_made_up(tmp_path: Path) -> None:
    with piece_digests.opened(tmp_path, earlier=lambda: None) as digests:
        with pytest.raises(FileNotFoundError, match="its list of pieces is lost"):
            digests.note(1, b"b" * 32)
        with pytest.raises(FileNotFoundError, match="its list of pieces is lost"):
            digests.listed(pieces.PIECE)
