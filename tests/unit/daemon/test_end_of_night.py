"""Nights that end by the clock: what was sent stays, and that is no failure by itself."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from holdstill.errors import LinkError, NightOverError
from holdstill.model.nightly_state import UNFINISHED, MessageKind
from support.nights import Board, Span

NOON = "2026-11-24T12:00"
QUIET = "notify: {summary_days: []}\n"
UNTIL_SIX = 'nightly: {spread_minutes: 0, until: "06:00"}\n'
HOUR = 3600.0


def board_with(hours: float, *, start: str = NOON, settings: str = UNTIL_SIX) -> Board:
    """Return a board whose next capture has so many hours to send."""
    board = Board(start, settings=settings + QUIET)
    board.keeper.to_send = hours * HOUR
    board.keeper.seconds = 0.0001  # all of it is sending
    return board


def kinds(board: Board) -> list[MessageKind]:
    return [letter.kind for letter in board.people.letters]


def test_the_exit_code_is_the_one_that_is_remembered() -> None:
    assert NightOverError.exit_code == UNFINISHED


def test_a_first_capture_takes_the_nights_that_it_needs_and_nobody_is_alarmed() -> None:
    board = board_with(8.5)  # 3.5 hours a night

    board.live_until("2026-11-26T12:00")

    assert board.keeper.to_send == pytest.approx(1.5 * HOUR)
    assert board.local(board.keeper.began) == ["11-25 02:30", "11-26 02:30"]
    assert board.last.is_unfinished
    assert board.last.what == "the night ended at 06:00"
    assert board.shelf.nightly_state.served == "2026-11-26"
    assert board.shelf.nightly_state.week.unfinished == 2
    assert board.shelf.nightly_state.week.failed == 0

    board.live_until("2026-11-27T12:00")

    assert board.local(board.keeper.sealed) == ["11-27 04:00"]
    assert kinds(board) == []


def test_nights_without_a_seal_are_told_in_the_end_and_once() -> None:
    board = board_with(20)

    board.live_until("2026-12-02T12:00")

    assert kinds(board) == [MessageKind.SILENCE, MessageKind.RECOVERY]
    silence = board.people.letters[0]
    assert silence.at.startswith("2026-11-27T11:")  # silent_days: 3
    assert "the night ended at 06:00" in silence.body
    assert "failed" not in silence.body
    assert "`nightly.until` later" in silence.body
    assert board.local(board.keeper.sealed)[0] == "11-30 05:00"


def test_a_keeper_that_is_away_all_night_is_a_failure_as_ever() -> None:
    board = board_with(0)
    board.keeper.away = [Span.of("2026-11-25T00:00", "2026-11-25T12:00")]

    board.live_until("2026-11-25T07:00")

    assert board.last.code == LinkError.exit_code
    assert kinds(board) == [MessageKind.FAILURE]
    last = board.keeper.began[-1].astimezone(board.place.here)
    assert last < datetime(2026, 11, 25, 6, tzinfo=board.place.here)


def test_a_night_that_the_board_slept_through_is_not_made_up_for_by_day() -> None:
    board = board_with(1)
    board.world.power_cuts = [Span.of("2026-11-25T01:00", "2026-11-25T10:00")]

    board.live_until("2026-11-26T12:00")

    assert board.local(board.keeper.began) == ["11-26 02:30"]


def test_what_is_left_of_a_night_is_used() -> None:
    board = board_with(4)
    board.world.power_cuts = [Span.of("2026-11-25T01:00", "2026-11-25T05:00")]

    board.live_until("2026-11-26T12:00")

    assert board.local(board.keeper.began) == ["11-25 05:05", "11-26 02:30"]
    assert board.local(board.keeper.sealed) == ["11-26 05:35"]


def test_a_restart_of_the_daemon_after_the_night_does_not_begin_another() -> None:
    board = board_with(8)
    board.live_until("2026-11-25T07:00")

    board.new_daemon()
    board.live_until("2026-11-25T23:00")

    assert board.local(board.keeper.began) == ["11-25 02:30"]


def jumps(board: Board, *, at: str, by: timedelta) -> None:
    """Have somebody set the wall clock, once, at this moment of true time; it stays wrong."""
    when = datetime.fromisoformat(at).replace(tzinfo=board.place.here)
    done: list[bool] = []

    def jump() -> None:
        if not done and board.world.true >= when:
            done.append(True)
            board.world.error += by

    board.keeper.each_minute = jump
    board.world.is_trusted = lambda: True  # type: ignore[method-assign]


def test_a_clock_that_jumps_over_the_end_ends_the_night_at_once() -> None:
    board = board_with(8)
    jumps(board, at="2026-11-25T03:30", by=timedelta(hours=4))

    board.live_until("2026-11-25T05:00")

    assert board.last.is_unfinished
    assert board.keeper.to_send == pytest.approx(7 * HOUR)


def test_a_clock_that_is_set_back_gives_the_night_what_it_shows() -> None:
    board = board_with(8)
    jumps(board, at="2026-11-25T05:30", by=timedelta(hours=-1))

    board.live_until("2026-11-25T08:00")

    assert board.last.is_unfinished
    assert board.keeper.to_send == pytest.approx(3.5 * HOUR)


def test_a_clock_that_shows_another_day_ends_the_night() -> None:
    board = board_with(8)
    jumps(board, at="2026-11-25T03:30", by=timedelta(days=40))

    board.live_until("2026-11-25T03:40")

    assert board.last.is_unfinished


def test_without_a_clock_a_run_has_no_end() -> None:
    board = board_with(30)
    board.world.sets_clock_after = 1e9
    board.new_daemon()

    board.live_until("2026-11-26T12:00")

    assert len(board.keeper.sealed) >= 1


# Central European Summer Time began 2026-03-29 01:00 UTC and ends 2026-10-25 01:00 UTC (Directive
# 2000/84/EC, articles 2 and 3: the last Sundays of March and October); New York's clocks changed
# on 2026-03-08 and change on 2026-11-01 at 02:00 local time (15 U.S.C. 260a).
@pytest.mark.parametrize(
    ("start", "zone", "until", "end"),
    [
        ("2026-03-28T12:00", "Europe/Berlin", "06:00", "2026-03-29T04:00"),
        ("2026-03-28T12:00", "Europe/Berlin", "02:30", "2026-03-29T01:00"),  # skipped
        ("2026-10-24T12:00", "Europe/Berlin", "06:00", "2026-10-25T05:00"),
        ("2026-10-24T12:00", "Europe/Berlin", "02:30", "2026-10-25T00:30"),  # the first of two
        ("2026-03-07T12:00", "America/New_York", "02:30", "2026-03-08T07:00"),
        ("2026-10-31T12:00", "America/New_York", "01:30", "2026-11-01T05:30"),
        ("2026-11-24T12:00", "Europe/Berlin", "01:00", "2026-11-25T00:00"),
    ],
)
def test_clocks_that_change_in_the_night(start: str, zone: str, until: str, end: str) -> None:
    board = Board(
        start,
        settings=f'nightly: {{time: "23:30", spread_minutes: 0, until: "{until}"}}\n' + QUIET,
        zone=ZoneInfo(zone),
    )
    board.keeper.to_send = 40 * HOUR

    expected = datetime.fromisoformat(end).replace(tzinfo=UTC)
    while board.shelf.nightly_state.last is None:
        board.world.sleep(board.daemon.run_due())

    assert board.last.is_unfinished
    ended = datetime.fromisoformat(board.last.at)
    assert timedelta() <= ended - expected <= timedelta(minutes=1)
