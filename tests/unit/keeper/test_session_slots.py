"""Sessions of one board's key: so many, and no more, whatever becomes of their processes."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import BusyError
from holdstill.keeper import session_slots
from holdstill.keeper.session_slots import SLOTS, SURE
from holdstill.model import names
from support import keeping
from support.keeping import PIER_3, PIER_4, FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = keeping.make_store(tmp_path / "boathouse", clock=FakeClock()).root
    (root / "boards" / PIER_4).mkdir(exist_ok=True)
    return root


@pytest.fixture
def full(root: Path) -> Iterator[ExitStack]:
    """All slots of pier-3 are taken."""
    with ExitStack() as taken:
        for _ in range(SLOTS):
            taken.enter_context(session_slots.held(root, PIER_3))
        yield taken


def test_one_session_more_is_told_to_come_back_later(root: Path, full: ExitStack) -> None:
    with (
        pytest.raises(BusyError, match=f"{SLOTS} sessions") as told,
        session_slots.held(root, PIER_3),
    ):
        pass

    assert "try again later" in told.value.hint


def test_another_boards_slots_are_its_own(root: Path, full: ExitStack) -> None:
    with session_slots.held(root, PIER_4):
        pass


def test_a_slot_that_was_given_back_is_taken_again(root: Path, full: ExitStack) -> None:
    full.close()

    with session_slots.held(root, PIER_3):
        pass


def test_where_there_is_no_such_board_nothing_is_made(root: Path) -> None:
    nobody = names.check_board("nobody")

    with session_slots.held(root, nobody):
        pass

    assert not (root / "boards" / nobody).exists()


def test_something_else_in_the_places_of_all_slots_is_told_as_what_it_is(root: Path) -> None:
    for name in session_slots.NAMES:
        (root / "boards" / PIER_3 / name).mkdir()

    with pytest.raises(IsADirectoryError), session_slots.held(root, PIER_3):
        pass


def test_while_memory_is_short_a_board_has_as_many_sessions_as_a_run_needs(root: Path) -> None:
    with ExitStack() as taken:
        for _ in range(SURE):
            taken.enter_context(session_slots.held(root, PIER_3, is_short=lambda: True))

        with (
            pytest.raises(BusyError, match="short of memory, and board pier-3 has 3 sessions"),
            session_slots.held(root, PIER_3, is_short=lambda: True),
        ):
            pass
        with (
            session_slots.held(root, PIER_4, is_short=lambda: True),
            session_slots.held(root, PIER_3, is_short=lambda: False),
        ):
            pass


@pytest.mark.parametrize(
    ("meminfo", "short"),
    [
        ("MemTotal:  800 kB\nMemFree:  5 kB\nMemAvailable:  100 kB\n", False),
        ("MemTotal:  800 kB\nMemFree:  5 kB\nMemAvailable:   99 kB\n", True),
        ("MemTotal:  800 kB\nMemFree:  5 kB\n", False),  # kernels before 3.14
        ("", False),
    ],
)
def test_memory_is_short_when_less_than_an_eighth_is_available(
    meminfo: str, *, short: bool
) -> None:
    assert session_slots.is_memory_short(meminfo) is short
