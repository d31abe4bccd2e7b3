"""What may be followed on from the last capture, and what makes a run read whole."""

from __future__ import annotations

import os
from contextlib import contextmanager
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from holdstill.board import all_day
from holdstill.board.all_day import AllDay, FileInCapture
from holdstill.board.changed_pieces import FileAsRead, Why
from holdstill.board.extent_map import Extent, State
from support.keeping import FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PIECE = 64 << 10
CAPTURE = "5bf1c5ed"


@contextmanager
def following(clock: FakeClock) -> Iterator[AllDay]:
    with all_day.opened(clock) as kept:
        yield kept


def in_capture(path: Path, extents: int = 1, doubts: int = 0) -> FileInCapture:
    """Return a file of so many extents as a capture has it; its handle is the caller's."""
    handle = os.open(path, os.O_RDONLY)
    status = os.fstat(handle)
    its_map = [Extent(n * PIECE, PIECE, 2 * n * PIECE, State.STORED) for n in range(extents)]
    doubted = dict.fromkeys(range(doubts), Why.WRITTEN)
    known = FileAsRead(PIECE, extents, its_map, {}, doubted)
    return FileInCapture(status.st_dev, status.st_ino, handle, known, b"list")


def keep(kept: AllDay, *files: FileInCapture, capture: str = CAPTURE) -> None:
    kept.keep(capture, {2: list(files)})
    for file in files:
        os.close(file.handle)


@pytest.fixture
def readings(tmp_path: Path) -> Path:
    path = tmp_path / "readings.db"
    path.write_bytes(b"1.42 m")
    return path


def test_what_was_kept_is_taken_once_with_all_that_is_known(readings: Path) -> None:
    with following(FakeClock()) as kept:
        file = in_capture(readings)
        keep(kept, file)

        (found,) = kept.take(CAPTURE)

        assert (found.part, found.device, found.inode) == (2, file.device, file.inode)
        assert (found.known, found.digest) == (file.known, b"list")
        assert kept.lives(found)
        assert not kept.take(CAPTURE)


@pytest.mark.parametrize("newest", ["", "another"])
def test_of_another_capture_nothing_is_taken(newest: str, readings: Path) -> None:
    with following(FakeClock()) as kept:
        keep(kept, in_capture(readings))

        assert not kept.take(newest)


def test_a_capture_without_a_name_keeps_nothing(readings: Path) -> None:
    with following(FakeClock()) as kept:
        keep(kept, in_capture(readings), capture="")

        assert not kept.take("")


@pytest.mark.parametrize("hours", [-1, 1])
def test_after_the_clock_was_set_nothing_is_taken(hours: int, readings: Path) -> None:
    clock = FakeClock()
    with following(clock) as kept:
        keep(kept, in_capture(readings))
        clock.set_by(timedelta(hours=hours))

        assert not kept.take(CAPTURE)


def test_as_time_passes_it_stays(readings: Path) -> None:
    clock = FakeClock()
    with following(clock) as kept:
        keep(kept, in_capture(readings))
        clock.sleep(86_400)

        assert kept.take(CAPTURE)


def test_a_file_that_was_deleted_lives_no_more_and_another_one_does(
    readings: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.db"
    other.write_bytes(b"1.43 m")
    with following(FakeClock()) as kept:
        keep(kept, in_capture(readings), in_capture(other))
        readings.unlink()

        assert [kept.lives(found) for found in kept.take(CAPTURE)] == [False, True]


@pytest.mark.parametrize(("extents", "doubts"), [(all_day.EXTENTS_MOST + 1, 0), (1, 20_001)])
def test_what_would_take_too_much_memory_is_not_kept(
    extents: int, doubts: int, readings: Path
) -> None:
    with following(FakeClock()) as kept:
        keep(kept, in_capture(readings, extents, doubts))

        assert not kept.take(CAPTURE)


def test_what_is_kept_is_that_of_the_last_capture_alone(readings: Path) -> None:
    with following(FakeClock()) as kept:
        keep(kept, in_capture(readings))
        keep(kept, capture="the next")

        assert not kept.take(CAPTURE)
        assert not kept.take("the next")


def test_without_a_trace_it_costs_nothing(readings: Path) -> None:
    with following(FakeClock()) as kept:
        keep(kept, in_capture(readings))

        assert kept.cost() is None
