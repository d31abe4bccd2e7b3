"""A followed file reads what it is told was written, and nothing else."""

from __future__ import annotations

import os
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.board import piece_digests
from holdstill.board.extent_map import Extent, State
from holdstill.board.followed_file import FollowedFile
from holdstill.board.spool import ChangedError, Spool, SpoolFullError
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.model import pieces
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.extent_map import ExtentMap

PIECE = pieces.PIECE
DISK = 64 * PIECE
NOTHING = WrittenBlocks(DISK)


class StraightMap:
    """The map of a file that lies at the start of its disk, in one extent."""

    def extents(self, start: int, end: int) -> list[Extent]:
        return [Extent(start, end - start, 0, State.STORED)]

    def is_shared(self, start: int, end: int) -> bool:
        return False


class SharedMap(StraightMap):
    """The map of a file of which a clone has all blocks."""

    def is_shared(self, start: int, end: int) -> bool:
        return True


@dataclass
class Following:
    path: Path
    file: FollowedFile
    spool: Spool

    def now(self) -> pieces.PieceList:
        data = self.path.read_bytes()
        return pieces.of_reader(len(data), PIECE, lambda at, length: data[at : at + length])

    def write(self, place: int, data: bytes) -> None:
        with self.path.open("r+b") as file:
            file.seek(place)
            file.write(data)


@contextmanager
def following(
    folder: Path, *, room: int = DISK, its_map: ExtentMap | None = None
) -> Iterator[Following]:
    path, memory = folder / "readings.db", folder / "memory"
    path.write_bytes(os.urandom(3 * PIECE) + bytes(PIECE) + os.urandom(PIECE // 2))
    memory.mkdir()
    with ExitStack() as undo:
        handle = os.open(path, os.O_RDONLY)
        undo.callback(os.close, handle)
        digests = undo.enter_context(piece_digests.opened(folder))
        spool = undo.enter_context(Spool(memory, room))
        yield Following(path, FollowedFile(handle, its_map or StraightMap(), digests), spool)


def written(place: int, length: int) -> WrittenBlocks:
    blocks = WrittenBlocks(DISK)
    blocks.add(place // 512, -(-length // 512))
    return blocks


def test_the_first_round_reads_all_and_the_next_only_what_was_written(tmp_path: Path) -> None:
    with following(tmp_path) as it:
        first = [piece.offset for piece in it.file.hot_round(NOTHING)]
        it.write(PIECE + 5, b"1.42 m")
        second = list(it.file.hot_round(written(PIECE, 512)))

    assert first == [n * PIECE for n in range(5)]
    assert [piece.offset for piece in second] == [PIECE]
    assert second[0].data[5:11] == b"1.42 m"


def test_the_pause_takes_what_was_written_and_the_list_is_the_files(tmp_path: Path) -> None:
    with following(tmp_path) as it:
        list(it.file.hot_round(NOTHING))
        it.write(2 * PIECE + 7, b"1.43 m")
        taken = it.file.spool_frozen(written(2 * PIECE, 512), it.spool)

        assert taken.numbers == (2,)
        assert PIECE <= it.spool.used < PIECE + 4096
        assert it.file.listed(taken) == it.now()


def test_the_pause_takes_only_what_was_written_after_the_staging(tmp_path: Path) -> None:
    with following(tmp_path) as it:
        list(it.file.hot_round(NOTHING))
        it.write(PIECE, b"1.44 m")
        it.write(2 * PIECE, b"1.45 m")
        it.file.look(written(PIECE, 2 * PIECE))
        it.file.stage(NOTHING, it.spool, lambda: False)
        it.write(2 * PIECE, b"1.46 m")
        with it.spool.timed(SystemClock()):
            taken = it.file.spool_frozen(written(2 * PIECE, 512), it.spool)

        assert (taken.numbers, taken.late) == ((1, 2), (2,))
        assert it.spool.copied_timed == PIECE
        assert it.spool.used < 2 * PIECE + 4096
        assert it.file.listed(taken) == it.now()
        there = taken.spooled.path.read_bytes()
        assert there[PIECE:][:6] == b"1.44 m"
        assert there[2 * PIECE :][:6] == b"1.46 m"


def test_shared_pieces_are_left_to_the_pause_which_must_read_them_anyway(tmp_path: Path) -> None:
    with following(tmp_path, its_map=SharedMap()) as it:
        list(it.file.hot_round(NOTHING))
        it.file.stage(NOTHING, it.spool, lambda: False)

        assert it.spool.used < PIECE
        assert len(it.file.spool_frozen(NOTHING, it.spool).late) == 5


def test_what_was_staged_for_a_pause_that_did_not_come_is_read_again(tmp_path: Path) -> None:
    with following(tmp_path) as it:
        list(it.file.hot_round(NOTHING))
        it.write(PIECE, b"1.47 m")
        it.file.look(written(PIECE, 512))
        it.file.stage(NOTHING, it.spool, lambda: False)

        assert [piece.offset for piece in it.file.hot_round(NOTHING)] == [PIECE]


def test_what_was_staged_and_taken_by_a_pause_that_failed_is_read_again(tmp_path: Path) -> None:
    with following(tmp_path) as it:
        list(it.file.hot_round(NOTHING))
        it.write(PIECE, b"1.48 m")
        it.file.look(written(PIECE, 512))
        it.file.stage(NOTHING, it.spool, lambda: False)
        it.file.spool_frozen(NOTHING, it.spool)

        assert [piece.offset for piece in it.file.hot_round(NOTHING)] == [PIECE]


def test_what_was_staged_is_read_again_after_a_look_or_a_round(tmp_path: Path) -> None:
    """They are told what was written since, and nobody else is."""
    for again in ("look", "round"):
        folder = tmp_path / again
        folder.mkdir()
        with following(folder) as it:
            list(it.file.hot_round(NOTHING))
            it.write(PIECE, b"1.49 m")
            it.file.look(written(PIECE, 512))
            it.file.stage(NOTHING, it.spool, lambda: False)
            it.write(PIECE, b"1.50 m")
            if again == "look":
                it.file.look(written(PIECE, 512))
            else:
                list(it.file.hot_round(written(PIECE, 512)))
            taken = it.file.spool_frozen(NOTHING, it.spool)

            assert it.file.listed(taken) == it.now(), again


def test_what_there_was_no_time_to_stage_is_left_to_the_pause(tmp_path: Path) -> None:
    times = iter([False, False, True])
    with following(tmp_path) as it:
        it.file.stage(NOTHING, it.spool, lambda: next(times))
        taken = it.file.spool_frozen(NOTHING, it.spool)

        assert (taken.numbers, taken.late) == ((0, 1, 2, 3, 4), (2, 3, 4))
        assert it.file.listed(taken) == it.now()


def test_staged_pieces_that_do_not_fit_leave_nothing(tmp_path: Path) -> None:
    with following(tmp_path, room=4 * PIECE) as it:
        with pytest.raises(SpoolFullError):
            it.file.stage(NOTHING, it.spool, lambda: False)

        assert it.spool.used == 0
        assert list(it.spool.directory.iterdir()) == []


def test_what_was_staged_goes_with_a_pause_that_does_not_fit(tmp_path: Path) -> None:
    with following(tmp_path, room=2 * PIECE + 1024) as it:
        list(it.file.hot_round(NOTHING))
        it.file.look(written(0, 2 * PIECE))
        it.file.stage(NOTHING, it.spool, lambda: False)
        with pytest.raises(SpoolFullError):
            it.file.spool_frozen(written(2 * PIECE, 512), it.spool)

        assert it.spool.used == 0
        assert list(it.spool.directory.iterdir()) == []


@pytest.mark.parametrize("size", [1, PIECE, 2 * PIECE + 1, 6 * PIECE, 7 * PIECE + 3])
def test_a_file_that_was_cut_or_grew_after_the_staging(tmp_path: Path, size: int) -> None:
    with following(tmp_path) as it:
        it.file.stage(NOTHING, it.spool, lambda: False)
        os.truncate(it.path, size)
        taken = it.file.spool_frozen(NOTHING, it.spool)

        assert it.file.listed(taken) == it.now()
        assert taken.spooled.path.read_bytes() == it.path.read_bytes()


@pytest.mark.parametrize("size", [1, PIECE, 2 * PIECE + 1, 6 * PIECE, 7 * PIECE + 3])
def test_a_file_that_was_cut_or_grew(tmp_path: Path, size: int) -> None:
    with following(tmp_path) as it:
        list(it.file.hot_round(NOTHING))
        os.truncate(it.path, size)
        taken = it.file.spool_frozen(NOTHING, it.spool)

        assert it.file.listed(taken) == it.now()


def test_what_does_not_fit_leaves_nothing(tmp_path: Path) -> None:
    with following(tmp_path, room=2 * PIECE) as it:
        with pytest.raises(SpoolFullError):
            it.file.spool_frozen(NOTHING, it.spool)

        assert it.spool.used == 0
        assert list(it.spool.directory.iterdir()) == []


def test_a_file_of_another_size_than_was_said_is_refused(tmp_path: Path) -> None:
    with following(tmp_path) as it, it.path.open("rb") as file:
        with pytest.raises(ChangedError):
            it.spool.copy_ranges(file.fileno(), 5, [(0, 5)])

        assert list(it.spool.directory.iterdir()) == []
