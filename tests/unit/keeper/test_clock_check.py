"""Thinning and collecting by a clock that must be wrong: refused; nothing is deleted."""

from __future__ import annotations

from datetime import timedelta
from functools import partial
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import PreflightError
from holdstill.keeper import enrolment, garbage, thin
from holdstill.model import names
from holdstill.model.settings import Retention
from support import keeping
from support.keeping import PIER_3, PIER_4, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

DAY = 86_400
ONE_A_MONTH = Retention(days=1, weeks=0, months=12, years=0, at_least=1)


def captured(store: Store, clock: FakeClock, *, months: int) -> list[str]:
    """Have pier-3 capture every 30 days; return what thinning would delete by the right clock."""
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for number in range(months):
        clock.advance(30 * DAY)
        board.files[b"srv/reading"] = b"reading %d" % number
        board.capture()
    return victims(store, clock)


def victims(store: Store, clock: FakeClock) -> list[str]:
    found = thin.plan(store, PIER_3, ONE_A_MONTH, clock=clock, runner=FakeSignatures())
    return [verdict.name for verdict in found if not verdict.is_kept]


@pytest.mark.parametrize("back", [10, 365 * 4, 365 * 50])
def test_a_clock_that_is_behind_the_captures_neither_thins_nor_collects(
    store: Store, clock: FakeClock, back: int
) -> None:
    captured(store, clock, months=5)
    clock.advance(-back * DAY)

    with pytest.raises(PreflightError, match="the clock of this keeper shows"):
        thin.delete_captures(
            store, PIER_3, Retention(at_least=1), clock=clock, runner=FakeSignatures()
        )
    with pytest.raises(PreflightError, match="the clock of this keeper shows"):
        garbage.collect(store, clock=clock, grace=timedelta(), min_free=0)

    assert len(list((store.board_folder(PIER_3) / "captures").iterdir())) == 5


def test_one_board_of_three_from_the_future_stops_nobody(store: Store, clock: FakeClock) -> None:
    keys = {
        PIER_4: keeping.OTHER_KEY,
        names.check_board("slipway-1"): f"{keeping.OTHER_KEY[:-1]}g",
    }
    for board, key in keys.items():
        enrolment.enrol(store, board, key, clock=clock, limits=None)
    clock.advance(3650 * DAY)
    capture_of(store, clock, PIER_4, keys[PIER_4])
    clock.advance(-3650 * DAY)
    due = captured(store, clock, months=3)
    capture_of(store, clock, names.check_board("slipway-1"), keys[names.check_board("slipway-1")])

    assert victims(store, clock) == due
    thin.plan(store, PIER_4, ONE_A_MONTH, clock=clock, runner=FakeSignatures())
    garbage.collect(store, clock=clock, grace=timedelta(), min_free=0)


def capture_of(store: Store, clock: FakeClock, board: BoardName, key: str) -> None:
    keeper = keeping.keeper_of(store, board=board, clock=clock)
    sign = partial(keeping.seal_of, board=board, key=key)
    Board(keeper, name=board, clock=clock, sign=sign).capture()


def test_a_clock_that_is_right_again_thins_as_before(store: Store, clock: FakeClock) -> None:
    due = captured(store, clock, months=15)
    clock.advance(-365 * 40 * DAY)
    with pytest.raises(PreflightError):
        victims(store, clock)
    clock.advance(365 * 40 * DAY)

    assert due
    assert victims(store, clock) == due


def test_boards_that_are_retired_since_are_no_witnesses_of_a_night_that_was_ahead(
    store: Store, clock: FakeClock
) -> None:
    slipway, other_key = names.check_board("slipway-1"), f"{keeping.OTHER_KEY[:-1]}g"
    for board, key in ((PIER_4, keeping.OTHER_KEY), (slipway, other_key)):
        enrolment.enrol(store, board, key, clock=clock, limits=None)
    clock.advance(300 * DAY)
    capture_of(store, clock, PIER_4, keeping.OTHER_KEY)
    capture_of(store, clock, slipway, other_key)
    clock.advance(-300 * DAY)
    captured(store, clock, months=3)
    with pytest.raises(PreflightError) as caught:
        garbage.collect(store, clock=clock, grace=timedelta(), min_free=0)
    assert f"keeper retire {store.root} BOARD" in caught.value.hint
    assert "of pier-4, slipway-1." in caught.value.hint

    enrolment.retire(store, PIER_4, clock=clock)

    garbage.collect(store, clock=clock, grace=timedelta(), min_free=0)


def test_where_all_boards_are_retired_their_captures_judge_the_clock_still(
    store: Store, clock: FakeClock
) -> None:
    captured(store, clock, months=3)
    enrolment.retire(store, PIER_3, clock=clock)
    clock.advance(-3650 * DAY)

    with pytest.raises(PreflightError, match="the clock of this keeper shows"):
        garbage.collect(store, clock=clock, grace=timedelta(), min_free=0)
