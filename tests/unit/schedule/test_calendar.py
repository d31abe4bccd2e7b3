from __future__ import annotations

import itertools
import zoneinfo
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import pytest
import schedule
from hypothesis import given
from hypothesis import strategies as st

from holdstill.schedule import calendar
from holdstill.schedule.calendar import DAY, EVERY_DAY, Calendar, Rule

BERLIN = ZoneInfo("Europe/Berlin")
ZONES = sorted(zoneinfo.available_timezones() - {"localtime"})

rules = st.builds(
    Rule,
    at=st.builds(time, st.integers(0, 23), st.integers(0, 59)),
    weekdays=st.frozensets(st.integers(0, 6), min_size=1),
    spread=st.timedeltas(min_value=timedelta(), max_value=timedelta(hours=12)),
)
named_zones = st.sampled_from(ZONES).map(ZoneInfo)
offsets = st.integers(-14 * 60, 14 * 60).map(lambda m: timezone(timedelta(minutes=m)))
zones: st.SearchStrategy[tzinfo] = st.one_of(named_zones, offsets)
moments = st.datetimes(datetime(1975, 1, 1), datetime(2036, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001


@st.composite
def changes(draw: st.DrawFn) -> tuple[tzinfo, datetime]:
    """A moment near which the clocks of a zone change, if they do in that year."""
    zone, start = draw(named_zones), draw(moments)
    hours = [start + timedelta(hours=n) for n in range(0, 8784, 6)]
    offsets_then = [moment.astimezone(zone).utcoffset() for moment in hours]
    near = [
        moment
        for moment, before, after in zip(hours, offsets_then, offsets_then[1:], strict=False)
        if before != after
    ]
    return zone, draw(st.sampled_from(near or hours[:1])) + draw(
        st.timedeltas(min_value=-timedelta(days=2), max_value=timedelta(days=2))
    )


@given(rule=rules, case=st.one_of(st.tuples(zones, moments), changes()))
def test_the_next_due_time_is_after_now_and_none_lies_between(
    rule: Rule, case: tuple[tzinfo, datetime]
) -> None:
    zone, now = case

    due = rule.next_due(now, zone)

    assert due > now
    assert due - now <= timedelta(days=8) + rule.spread + 2 * DAY  # a date may be missing
    day = now.astimezone(zone).date() - 3 * DAY
    for number in range(14):
        between = rule.due_on(day + number * DAY, zone)
        assert between is None or not now < between < due


@given(rule=rules, case=st.one_of(st.tuples(zones, moments), changes()))
def test_a_run_comes_at_its_wall_clock_time_unless_the_clocks_skip_it(
    rule: Rule, case: tuple[tzinfo, datetime]
) -> None:
    zone, now = case

    due = rule.next_due(now, zone)

    wall = (due - rule.spread).astimezone(zone)
    just_before = (due - rule.spread - timedelta(seconds=1)).astimezone(zone)
    is_skipped = just_before.utcoffset() != wall.utcoffset()
    assert wall.time() == rule.at or is_skipped
    assert wall.weekday() in rule.weekdays or is_skipped


@given(rule=rules, case=st.one_of(st.tuples(zones, moments), changes()))
def test_every_date_that_exists_is_served_once(rule: Rule, case: tuple[tzinfo, datetime]) -> None:
    zone, now = case
    served, moment = [], now

    for _ in range(5):
        moment = rule.next_due(moment, zone)
        served.append(rule.last_date(moment, zone))

    assert served == sorted(set(served))
    for earlier, later in itertools.pairwise(served):
        skipped = [earlier + n * DAY for n in range(1, (later - earlier).days)]
        assert all(rule.due_on(day, zone) is None for day in skipped)


def test_in_greenland_a_missing_evening_is_made_up_for_at_midnight() -> None:
    # 28 March 2026: from 23:00 straight to 00:00 (IANA, file europe, America/Nuuk).
    nuuk = ZoneInfo("America/Nuuk")

    moment = calendar.moment_of(date(2026, 3, 28), time(23, 30), nuuk)

    assert moment is not None
    assert f"{moment.astimezone(nuuk):%d %H:%M}" == "29 00:00"


def runs_of(book: Calendar, rule: Rule, served: date | None = None) -> list[datetime]:
    runs: list[datetime] = []
    book.plan(rule, lambda: runs.append(book.now), tag="capture", served=served)
    return runs


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_nothing_runs_before_it_is_due_and_then_once() -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)
    runs = runs_of(book, Rule(time(2, 30)))

    for hour in range(48):
        book.tick(at("2026-11-25T12:00") + timedelta(hours=hour))

    assert runs == [at("2026-11-26T03:00"), at("2026-11-27T03:00")]


def test_many_missed_dates_are_made_up_for_by_one_run() -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)
    runs = runs_of(book, Rule(time(2, 30)), served=date(2026, 11, 2))

    book.tick(at("2026-11-25T12:00"))
    book.tick(at("2026-11-25T12:05"))

    assert runs == [at("2026-11-25T12:00")]
    assert book.due("capture") == at("2026-11-26T02:30")


def test_several_weekdays_are_several_jobs_of_the_library() -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)  # a Wednesday
    runs = runs_of(book, Rule(time(2, 30), frozenset({0, 3})))

    for day in range(8):
        book.tick(at("2026-11-25T12:00") + day * DAY)

    assert [job.start_day for job in book.get_jobs("capture")] == ["monday", "thursday"]
    assert [run.weekday() for run in runs] == [3, 0]


@pytest.mark.parametrize("weekday", range(7))  # datetime.weekday(): Monday is 0
def test_each_day_of_the_week_has_its_job(weekday: int) -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)
    runs = runs_of(book, Rule(time(2, 30), frozenset({weekday})))

    for day in range(15):
        book.tick(at("2026-11-25T12:00") + day * DAY)

    assert [run.weekday() for run in runs] == [weekday] * 2


def test_a_clock_that_is_set_back_repeats_no_date() -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)
    runs = runs_of(book, Rule(time(2, 30)))
    book.tick(at("2026-11-26T02:30"))

    book.tick(at("2026-11-25T23:00"))
    book.tick(at("2026-11-26T02:30"))

    assert runs == [at("2026-11-26T02:30")]
    assert book.due("capture") == at("2026-11-27T02:30")


# A clock that goes back by no more than a minute was not set, but drawn to the right time.
@pytest.mark.parametrize("step", [-59, 1, 30, 59, 61])
def test_a_date_is_served_once_however_short_the_looks_are_apart(step: int) -> None:
    book = Calendar(at("2026-11-26T02:28"), UTC)
    runs = runs_of(book, Rule(time(2, 30)))

    for seconds in range(0, 300, abs(step)):
        book.tick(at("2026-11-26T02:28") + timedelta(seconds=seconds))
        if step < 0:
            book.tick(at("2026-11-26T02:28") + timedelta(seconds=seconds + step))

    assert len(runs) == 1
    assert book.due("capture") == at("2026-11-27T02:30")


@pytest.mark.parametrize(("seconds", "day"), [(60, 26), (61, 25)])
def test_a_clock_that_goes_back_by_more_than_a_minute_was_set(seconds: int, day: int) -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)
    runs_of(book, Rule(time(11, 59, 30)))

    book.tick(at("2026-11-25T12:00") - timedelta(seconds=seconds))

    assert book.due("capture") == at(f"2026-11-{day}T11:59:30")


def test_work_that_cancels_its_job_is_not_done_again() -> None:
    """schedule 1.2, documentation, Run a job once: by returning schedule.CancelJob."""
    book = Calendar(at("2026-11-25T12:00"), UTC)
    book.every().day.at("12:01").do(lambda: schedule.CancelJob)

    book.tick(at("2026-11-25T12:01"))

    assert book.jobs == []


def test_a_clock_that_was_far_ahead_does_not_silence_the_board() -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)
    runs = runs_of(book, Rule(time(2, 30)))
    book.tick(at("2036-02-07T06:28"))

    book.tick(at("2026-11-25T12:05"))
    book.tick(at("2026-11-26T02:30"))

    assert runs == [at("2036-02-07T06:28"), at("2026-11-26T02:30")]


def test_a_served_date_far_ahead_was_written_by_a_clock_that_was_wrong() -> None:
    book = Calendar(at("2026-11-25T12:00"), UTC)

    runs_of(book, Rule(time(2, 30)), served=date(2036, 2, 7))

    assert book.due("capture") == at("2026-11-26T02:30")


def test_another_time_set_after_todays_run_makes_no_second_one() -> None:
    book = Calendar(at("2026-11-25T12:00"), BERLIN)

    runs_of(book, Rule(time(23, 0)), served=date(2026, 11, 25))

    assert book.due("capture") == at("2026-11-26T22:00")


def test_the_library_checks_the_time_and_never_reads_the_clock() -> None:
    book = Calendar(at("1999-12-31T23:59"), UTC)

    with pytest.raises(schedule.ScheduleValueError):
        book.every().day.at("25:00")
    with pytest.raises(schedule.IntervalError):
        book.every(2)

    runs_of(book, Rule(time(0, 0), EVERY_DAY))
    assert book.next_run == at("2000-01-01T00:00")
    assert book.idle_seconds == 60.0
    book.tick(at("2000-01-01T00:00"))
    assert [job.last_run for job in book.jobs] == [at("2000-01-01T00:00")]
