"""The rule of places: no piece that changed may ever be called clean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board.changed_pieces import FileAsRead, Look, PieceRead, PiecesRead, Why, judged
from holdstill.board.extent_map import Extent, State
from holdstill.board.written_blocks import WrittenBlocks
from support.model_file import BLOCK, IN_PLACE, SHIFTING, ModelFile, Operation, Places

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

PIECE = 3 * BLOCK
POSITIONS = st.integers(0, 23)
ANY = st.tuples(st.sampled_from(IN_PLACE + SHIFTING), POSITIONS, POSITIONS)
GENTLE = st.tuples(st.sampled_from(IN_PLACE), POSITIONS, POSITIONS)
Pause = tuple[list[Operation], list[Operation], list[Operation]]
PAUSES = st.tuples(
    st.lists(ANY, max_size=3), st.lists(GENTLE, max_size=2), st.lists(GENTLE, max_size=2)
)
"""What goes on before a piece is read, between its first map and the read, and behind the read."""
ROUNDS = st.lists(st.lists(PAUSES, min_size=1, max_size=4), min_size=1, max_size=3)


class Follower:
    """Copies a model file as a capture does, and keeps what it has."""

    def __init__(self, file: ModelFile) -> None:
        self.file = file
        self.known = FileAsRead(PIECE)
        self.copy: dict[int, bytes] = {}

    def look(self, written: Places | None = None) -> Look:
        told = self.file.written() if written is None else written
        size = self.file.size
        return self.known.look(self.file.extents(0, size), told, size)

    def hot_round(self, pauses: Sequence[Pause] = (([], [], []),)) -> Look:
        look = self.look()
        reads = PiecesRead(PIECE)
        for i, n in enumerate(look.dirty):
            reads.add(n, self._read(n, pauses[i % len(pauses)]))
        self.known = self.known.after(look, reads)
        return look

    def _read(self, n: int, pause: Pause) -> PieceRead:
        start = n * PIECE
        self.work(pause[0])
        before = self.file.extents(start, start + PIECE)
        is_shared = self.file.is_shared(start, start + PIECE)
        self.work(pause[1])
        self.copy[n] = self.file.read(start, PIECE)
        self.work(pause[2])
        is_shared = self.file.is_shared(start, start + PIECE) or is_shared
        after = self.file.extents(start, start + PIECE)
        return judged(start, self.copy[n], before, after, is_shared=is_shared)

    def work(self, operations: Sequence[Operation]) -> None:
        for call, one, other in operations:
            call(self.file, one, other)

    def wrong_when_frozen(self, written: Places | None = None) -> list[int]:
        """Return the pieces that the rule calls clean and are not."""
        self.file.flush(0, 0)
        dirty = self.look(written).dirty
        pieces = range(-(-self.file.size // PIECE))
        clean = [n for n in pieces if n not in dirty]
        return [n for n in clean if self.copy.get(n) != self.file.read(n * PIECE, PIECE)]


@pytest.mark.parametrize("versioned", [False, True])
@given(rounds=ROUNDS, last=st.lists(ANY, max_size=4), blocks=st.integers(0, 12))
def test_no_changed_piece_is_called_clean(
    rounds: list[list[Pause]], last: list[Operation], blocks: int, *, versioned: bool
) -> None:
    follower = Follower(ModelFile(blocks, versioned=versioned))
    for pauses in rounds:
        follower.hot_round(pauses)
    follower.work(last)

    assert follower.wrong_when_frozen() == []


def followed(blocks: int = 9) -> Follower:
    follower = Follower(ModelFile(blocks))
    follower.hot_round()
    return follower


def test_a_file_that_rests_is_read_once() -> None:
    follower = followed()

    assert follower.hot_round().dirty == {}
    assert follower.wrong_when_frozen() == []


def test_without_the_trace_a_write_in_place_goes_unnoticed() -> None:
    follower = followed()
    follower.file.pwrite(4, 0)

    assert follower.wrong_when_frozen(written=Places()) == [1]


def test_a_write_in_place_is_told_by_the_trace() -> None:
    follower = followed()
    follower.file.direct(4, 0)

    assert follower.look().dirty == {1: Why.WRITTEN}


def test_a_shared_block_that_is_written_hits_each_piece_that_has_it() -> None:
    file = ModelFile(9)
    file.reflink(0, 7)
    known = FileAsRead.just_read(PIECE, file.size, file.extents(0, file.size))

    look = known.look(file.extents(0, file.size), Places({0}), file.size)

    assert look.dirty == {0: Why.WRITTEN, 2: Why.WRITTEN}


def test_a_short_extent_in_front_of_the_write_does_not_hide_the_long_one_around_it() -> None:
    long = Extent(0, 2 * PIECE, 0, State.STORED)
    short = Extent(2 * PIECE, BLOCK, BLOCK - 2 * PIECE, State.STORED)
    known = FileAsRead(PIECE, 3, [long, short], {2: BLOCK})

    look = known.look([long, short], Places({5}), 2 * PIECE + BLOCK)

    assert look.dirty == {1: Why.WRITTEN}


def insert_then_collapse(follower: Follower) -> Look:
    """Insert before the first read of a round and take it out again after the last."""
    before = (ModelFile.insert, 0, 2)
    follower.file.direct(0, 0)
    look = follower.hot_round([([before], [], [])])
    follower.file.collapse(0, 2)
    return look


def test_what_was_shifted_while_it_was_read_is_read_again() -> None:
    follower = followed()
    insert_then_collapse(follower)

    assert follower.wrong_when_frozen() == []
    assert 0 in follower.look(Places()).dirty


@pytest.mark.parametrize("prepare", [ModelFile.punch, ModelFile.zero])
@pytest.mark.parametrize("again", [ModelFile.punch, ModelFile.zero])
def test_dirty_data_that_no_block_stands_for_is_in_doubt(
    prepare: Callable[[ModelFile, int, int], None], again: Callable[[ModelFile, int, int], None]
) -> None:
    follower = followed()
    prepare(follower.file, 4, 0)
    follower.hot_round([([(ModelFile.pwrite, 4, 0)], [], [])])
    assert follower.known.doubts == {1: Why.UNBACKED}

    again(follower.file, 4, 0)

    assert follower.wrong_when_frozen() == []


def test_a_piece_that_a_round_did_not_read_stays_dirty() -> None:
    follower = followed()
    follower.file.direct(4, 0)
    follower.known = follower.known.after(follower.look(), PiecesRead(PIECE))

    assert follower.look().dirty == {1: Why.WRITTEN}


@pytest.mark.parametrize(
    ("blocks", "dirty"),
    [
        (7, {2: Why.RESIZED}),
        (6, {}),
        (11, {3: Why.NEW}),
        (13, {3: Why.NEW, 4: Why.NEW}),
    ],
)
def test_another_size_concerns_the_pieces_that_it_cuts(blocks: int, dirty: dict[int, Why]) -> None:
    follower = followed()
    follower.file.truncate(blocks, 0)

    assert follower.look().dirty == dirty


def test_a_shorter_last_piece_that_grew_is_read_again() -> None:
    follower = followed(7)
    follower.file.truncate(8, 0)

    assert follower.look().dirty == {2: Why.RESIZED}


def test_after_a_loss_all_that_is_stored_is_read_again() -> None:
    follower = followed()
    size = follower.file.size

    look = follower.known.look(follower.file.extents(0, size), WrittenBlocks(0), size)

    assert look.dirty == dict.fromkeys(range(3), Why.WRITTEN)


def test_an_unsure_place_is_never_clean() -> None:
    unsure = [Extent(0, PIECE, 0, State.UNSURE)]
    read = judged(0, b"x" * PIECE, unsure, unsure)
    reads = PiecesRead(PIECE)
    reads.add(0, read)
    known = FileAsRead(PIECE).after(Look(PIECE, {0: Why.NEW}), reads)

    assert read.doubt is Why.UNSURE
    assert known.look(unsure, Places(), PIECE).dirty == {0: Why.UNSURE}


def test_what_moved_while_it_was_read_is_in_doubt() -> None:
    there, elsewhere = (Extent(0, PIECE, shift, State.STORED) for shift in (0, PIECE))

    assert judged(0, b"x" * PIECE, [there], [elsewhere]).doubt is Why.MOVED_MEANWHILE


@pytest.mark.parametrize("versioned", [False, True])
def test_what_is_shared_while_it_is_read_is_in_doubt(*, versioned: bool) -> None:
    follower = Follower(ModelFile(9, versioned=versioned))
    follower.file.reflink(4, 8)
    follower.hot_round([([(ModelFile.pwrite, 4, 0)], [], [])])
    assert follower.known.doubts == {1: Why.SHARED, 2: Why.SHARED}

    follower.file.give_back(0, 0)

    assert follower.wrong_when_frozen() == []


def test_a_snapshot_leaves_nothing_as_it_was() -> None:
    follower = Follower(ModelFile(9, versioned=True))
    follower.hot_round([([(ModelFile.pwrite, 4, 0)], [], [])])
    follower.file.snapshot(0, 0)
    follower.file.restore(4, 0)

    assert follower.wrong_when_frozen() == []
    assert follower.look().dirty == dict.fromkeys(range(3), Why.MOVED)


def test_zeros_over_holes_and_unwritten_extents_are_sure() -> None:
    unwritten = [Extent(BLOCK, BLOCK, 0, State.ZEROS)]

    assert judged(0, bytes(PIECE), unwritten, unwritten).doubt is None
    assert judged(0, bytes(PIECE - 1) + b"x", unwritten, unwritten).doubt is Why.UNBACKED


def test_the_pieces_of_a_large_file_take_no_more_room_than_its_extents() -> None:
    count, reads = 65_536, PiecesRead(PIECE)
    for number in range(count):
        place = 1 << 30 if number < 1000 else 2 << 30
        there = [Extent(number * PIECE, PIECE, place, State.STORED)]
        reads.add(number, judged(number * PIECE, b"x" * PIECE, there, there))
    known = FileAsRead(PIECE).after(
        Look(count * PIECE, dict.fromkeys(range(count), Why.NEW)), reads
    )

    assert known.extents == [
        Extent(0, 1000 * PIECE, 1 << 30, State.STORED),
        Extent(1000 * PIECE, (count - 1000) * PIECE, 2 << 30, State.STORED),
    ]
    assert len(reads.extents) == 2
    assert known.doubts == {}
