"""A month of nights in each season that changes the clocks, with everything that goes wrong.

Clock changes: IANA Time Zone Database, file europe: 2026-03-29 and 2026-10-25, both at 01:00 UTC.
"""

from __future__ import annotations

from collections import Counter
from datetime import timedelta

import pytest

from holdstill.model.nightly_state import MessageKind
from support.nights import LINE, Board, Span

QUIET = "notify: {summary_days: []}\n"


def board_in(month: str) -> Board:
    """Return a board that is switched on at noon before the first night of a month of 2026."""
    eve = {"03": "2026-02-28T12:00", "10": "2026-09-30T12:00"}[month]
    board = Board(eve, settings=QUIET)
    board.world.sets_clock_after = 120.0

    def span(start: str, end: str) -> Span:
        return Span.of(f"2026-{month}-{start}", f"2026-{month}-{end}")

    board.world.power_cuts = [
        span("05T20:00", "06T07:00"),  # a night is missed
        span("09T02:35", "09T02:50"),  # in the middle of a run
        span("19T12:00", "22T12:00"),  # three nights are missed
    ]
    board.keeper.away = [
        span("12T00:00", "12T04:00"),  # for a part of a night
        span("15T22:00", "17T12:00"),  # for two nights
        span("26T01:00", "26T14:00"),  # for one night
    ]
    board.people.away = [span("16T00:00", "16T20:00")]  # the same network, for a while
    return board


NIGHTS = {
    # The day's own time, or what became of it; 29 March has no 02:30, 25 October has two.
    "03": {"29": "03:00"},
    "10": {},
}


EVENTFUL = {"09", "12", "16", "17", "26"}
"""Days with more than one try."""


def expected_runs(month: str) -> list[str]:
    """Return when captures that are sealed begin, in local time."""
    usual = {f"{day:02d}": "02:30" for day in range(1, 32)} | NIGHTS[month]
    usual |= {
        "06": "07:05",  # five minutes after the board came up
        "09": "02:55",  # again, since the power cut left nothing
        "12": "04:04",  # waits of 15 s, 30 s, ..., 960 s, then 1800 s; each failed try takes 20 s
        "22": "12:05",  # one for all that were missed
    }
    for missing in ("16", "17", "20", "21", "26"):
        del usual[missing]
    return [f"{month}-{day} {at}" for day, at in sorted(usual.items())]


@pytest.mark.parametrize("month", ["03", "10"])
def test_exactly_the_expected_captures_are_taken(month: str) -> None:
    board = board_in(month)

    board.live_until(f"2026-{month}-31T23:00")

    assert board.sealed() == expected_runs(month)


@pytest.mark.parametrize("month", ["03", "10"])
def test_people_hear_once_of_each_incident_and_once_of_its_end(month: str) -> None:
    board = board_in(month)

    board.live_until(f"2026-{month}-31T23:00")

    told = [
        (board.local([at])[0], letter.kind)
        for at, who, letter in board.people.got
        if who == "harbour-master"
    ]
    assert [kind for _, kind in told] == [
        MessageKind.FAILURE, MessageKind.RECOVERY, MessageKind.FAILURE, MessageKind.RECOVERY,
    ]  # fmt: skip
    # The first night fails soon after eight; people can be reached from eight in the evening.
    assert f"{month}-16 20:00" <= told[0][0] <= f"{month}-16 21:00"
    assert [when for when, _ in told[1:]] == [
        f"{month}-18 02:40", f"{month}-26 08:07", f"{month}-27 02:40",
    ]  # fmt: skip
    assert len(board.people.got) == 2 * len(told)
    assert board.shelf.nightly_state.outbox == ()


@pytest.mark.parametrize("month", ["03", "10"])
def test_the_card_is_written_a_few_times_a_night(month: str) -> None:
    board = board_in(month)

    board.live_until(f"2026-{month}-31T23:00")

    assert board.shelf.writes <= 31 + 1 + 2 * 4


def test_both_people_get_the_very_same_letters_and_each_names_what_went_wrong() -> None:
    board = board_in("03")

    board.live_until("2026-03-31T23:00")

    first, second = (
        [(at, letter.title, letter.body) for at, who, letter in board.people.got if who == name]
        for name in board.people.who
    )
    failures = [letter for letter in board.people.letters if letter.kind is MessageKind.FAILURE]
    assert first == second
    assert len(set(first)) == len(first) == 4
    assert all(LINE in letter.body for letter in failures)


@pytest.mark.parametrize("month", ["03", "10"])
def test_every_try_is_one_that_the_waits_explain(month: str) -> None:
    board = board_in(month)

    board.live_until(f"2026-{month}-31T23:00")

    # On the 12th the waits of 15 s to 960 s are 1905 s together, then come two of 1800 s; nine
    # tries of 20 s fail, and the tenth, at 02:30 + 5685 s = 04:04:45, finds the keeper back.
    tries = Counter(text[:5] for text in board.local(board.keeper.began))
    assert tries[f"{month}-12"] == 10
    assert tries[f"{month}-09"] == 2  # the power cut, and the one that made up for it
    for day in ("16", "17", "26"):  # half-hours until the night is given up
        assert tries[f"{month}-{day}"] == tries[f"{month}-26"] > 10
    others = {day: count for day, count in tries.items() if day[3:] not in EVENTFUL}
    assert set(others.values()) == {1}


def test_a_letter_that_waits_outlives_a_power_cut_and_comes_once() -> None:
    board = board_in("03")
    board.world.power_cuts.append(Span.of("2026-03-16T12:00", "2026-03-16T13:00"))

    board.live_until("2026-03-31T23:00")

    kinds = [letter.kind for letter in board.people.letters]
    assert kinds == [MessageKind.FAILURE, MessageKind.RECOVERY] * 2
    assert board.sealed() == expected_runs("03")


def test_nothing_is_tried_while_the_board_is_off_and_no_two_runs_overlap() -> None:
    board = board_in("10")

    board.live_until("2026-10-31T23:00")

    assert all(began not in cut for began in board.keeper.began for cut in board.world.power_cuts)
    for start, following in zip(board.keeper.began, board.keeper.began[1:], strict=False):
        assert following - start >= timedelta(seconds=20)


def test_a_week_is_summed_up_also_when_the_board_was_off_at_the_time() -> None:
    board = Board("2026-09-30T12:00", settings="notify: {summary_days: [monday]}\n")
    board.world.power_cuts = [Span.of("2026-10-12T08:00", "2026-10-12T12:00")]

    board.live_until("2026-10-20T12:00")

    told = [(at, letter) for at, who, letter in board.people.got if who == "harbour-master"]
    assert board.local([at for at, _ in told]) == ["10-05 09:00", "10-12 12:00", "10-19 09:00"]
    assert {letter.kind for _, letter in told} == {MessageKind.SUMMARY}
    assert "captures: 7, failed runs: 0, 14.0 MiB new" in told[1][1].body
