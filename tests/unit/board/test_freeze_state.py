from __future__ import annotations

import stat
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board import freeze_state
from holdstill.board.freeze_state import FreezeState, FrozenFileSystem

TWO = [FrozenFileSystem((179, 1), b"/boot"), FrozenFileSystem((179, 2), b"/")]


def test_fresh_marks_touch_nothing() -> None:
    fresh = freeze_state.in_memory(3)

    assert fresh.possibly_frozen() == []
    assert not fresh.fired


def test_the_last_frozen_is_thawed_first() -> None:
    made = freeze_state.in_memory(3)

    made[0], made[2] = FreezeState.OURS, FreezeState.TRYING

    assert made.possibly_frozen() == [2, 0]


@pytest.mark.parametrize("number", [-1, 2, 1000])
def test_there_is_no_mark_beyond_the_last(number: int) -> None:
    made = freeze_state.in_memory(2)

    with pytest.raises(IndexError):
        made[number] = FreezeState.OURS


def test_a_later_run_reads_what_an_ended_one_marked(tmp_path: Path) -> None:
    path = tmp_path / "frozen"

    with freeze_state.on_tmpfs(path, TWO) as mine:
        mine[1] = FreezeState.OURS
        left, described = freeze_state.left_over(path)
        states = [left[0], left[1]]
        mine[1] = FreezeState.UNTOUCHED

    assert states == [FreezeState.UNTOUCHED, FreezeState.OURS]
    assert list(described) == TWO


def test_both_sides_see_each_other(tmp_path: Path) -> None:
    path = tmp_path / "frozen"

    with freeze_state.on_tmpfs(path, TWO) as mine:
        theirs, _ = freeze_state.left_over(path)
        theirs.expire()

        assert mine.fired


def test_the_file_goes_when_nothing_is_frozen(tmp_path: Path) -> None:
    with freeze_state.on_tmpfs(tmp_path / "frozen", TWO):
        pass

    assert list(tmp_path.iterdir()) == []


def test_the_file_is_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "frozen"

    with freeze_state.on_tmpfs(path, TWO):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_file_that_was_torn_goes_too(tmp_path: Path) -> None:
    path = tmp_path / "frozen"
    with freeze_state.on_tmpfs(path, TWO):
        path.write_bytes(b"")

    assert not path.exists()


def test_the_file_stays_while_something_is(tmp_path: Path) -> None:
    path = tmp_path / "frozen"

    with freeze_state.on_tmpfs(path, TWO) as mine:
        mine[0] = FreezeState.OURS

    left, _ = freeze_state.left_over(path)
    assert left.possibly_frozen() == [0]


def test_new_marks_do_not_pull_the_rug_from_under_an_old_guard(tmp_path: Path) -> None:
    path = tmp_path / "frozen"
    with freeze_state.on_tmpfs(path, TWO) as mine:
        mine[0] = FreezeState.OURS
        old, _ = freeze_state.left_over(path)

    with freeze_state.on_tmpfs(path, TWO) as new:
        new[0] = FreezeState.TRYING

        assert old[0] is FreezeState.OURS
        new[0] = FreezeState.UNTOUCHED


@given(st.integers(0, 200))
def test_a_torn_file_is_no_marks(length: int) -> None:
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory, "frozen")
        with freeze_state.on_tmpfs(path, TWO):
            whole = path.read_bytes()
        path.write_bytes(whole[: min(length, len(whole) - 1)])

        with pytest.raises((ValueError, FileNotFoundError)):
            freeze_state.left_over(path)


def test_a_file_that_somebody_took_away_is_no_trouble_at_the_end(tmp_path: Path) -> None:
    with freeze_state.on_tmpfs(tmp_path / "frozen", TWO) as mine:
        (tmp_path / "frozen").unlink()
        mine[0] = FreezeState.OURS  # the memory is there as long as it is mapped

        assert mine.possibly_frozen() == [0]

    assert list(tmp_path.iterdir()) == []


# As it is written by every version: the next run may be one of another, after an upgrade.
WRITTEN = b"hsmarks1" + b"\0\0" + b"\2\0" + b"\1\2"


def test_marks_have_the_same_form_in_every_version(tmp_path: Path) -> None:
    path = tmp_path / "frozen"
    with freeze_state.on_tmpfs(path, TWO) as mine:
        mine[0], mine[1] = FreezeState.TRYING, FreezeState.OURS
        written = path.read_bytes()
        mine.expire()
        fired = path.read_bytes()

    assert written[: len(WRITTEN)] == WRITTEN
    assert fired == written[:8] + b"\1" + written[9:]
    path.write_bytes(fired)
    marks, marked = freeze_state.left_over(path)
    assert marks.fired
    assert [marks[0], marks[1]] == [FreezeState.TRYING, FreezeState.OURS]
    assert marked == tuple(TWO)


def test_a_long_file_of_something_else_is_no_marks(tmp_path: Path) -> None:
    path = tmp_path / "frozen"
    path.write_bytes(b"hsmarks2" + bytes(100))

    with pytest.raises(ValueError, match="frozen"):
        freeze_state.left_over(path)


def test_nothing_to_freeze_has_marks_too(tmp_path: Path) -> None:
    with freeze_state.on_tmpfs(tmp_path / "frozen", []) as mine:
        assert (mine.count, mine.possibly_frozen()) == (0, [])
