"""Which captures stay. Common practice (there is no standard); the worked example was computed
by hand from a calendar of one capture a day, 2025-01-01 to 2026-03-31.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.keeper import retention
from holdstill.model.protocol import CaptureBrief
from holdstill.model.settings import Retention

RULE = Retention(days=7, weeks=4, months=12, years=2, at_least=1)
NOW = datetime(2026, 3, 31, 12, tzinfo=UTC)


def brief(seq: int, at: datetime, *, trusted: bool = True, arrived: datetime | None = None,
          pinned: bool = False) -> CaptureBrief:  # fmt: skip
    return CaptureBrief(
        name=f"{seq:06}-{at:%Y%m%dT%H%M%SZ}",
        seq=seq,
        manifest="",
        index="",
        grade="point-in-time",
        taken_at=f"{at:%Y-%m-%dT%H:%M:%SZ}",
        arrived_at=f"{arrived or at:%Y-%m-%dT%H:%M:%SZ}",
        clock_trusted=trusted,
        pinned=pinned,
    )


def days(first: date, last: date) -> list[datetime]:
    count = (last - first).days + 1
    start = datetime(first.year, first.month, first.day, 2, tzinfo=UTC)
    return [start + timedelta(days=n) for n in range(count)]


def daily(*, without: tuple[date, date] | None = None) -> list[CaptureBrief]:
    moments = [
        at
        for at in days(date(2025, 1, 1), date(2026, 3, 31))
        if without is None or not without[0] <= at.date() <= without[1]
    ]
    return [brief(seq, at) for seq, at in enumerate(moments, start=1)]


def kept(briefs: list[CaptureBrief], rule: Retention = RULE, now: datetime = NOW) -> list[str]:
    verdicts = retention.judge(briefs, rule, now=now)
    return [verdict.name[7:15] for verdict in verdicts if verdict.is_kept]


PERIODS = {
    "day": r"\d{4}-\d\d-\d\d", "week": r"\d{4}-W\d\d", "month": r"\d{4}-\d\d", "year": r"\d{4}",
}  # fmt: skip


def last_of(briefs: list[CaptureBrief], period: str) -> list[str]:
    """Return the captures of which `stays_for` says that they are the last of such a period."""
    named = re.compile(rf"\bof {PERIODS[period]}(?![-\d])")
    verdicts = retention.judge(briefs, RULE, now=NOW)
    return [verdict.name[7:15] for verdict in verdicts if named.search(verdict.stays_for)]


def test_what_a_capture_stays_for_is_a_sentence() -> None:
    briefs = daily()
    pinned = msgspec.structs.replace(briefs[0], pinned=True)

    first, *_, last = retention.judge([pinned, *briefs[1:]], RULE, now=NOW)

    assert first.stays_for == "its owner pinned it"
    assert last.stays_for == (
        "it is the last of 2026-03-31 and of 2026-W14 and of 2026-03 and of 2026; "
        "it is the last; nothing newer has a date beyond doubt"
    )


def test_the_worked_example_keeps_twenty() -> None:
    assert len(daily()) == 455
    assert kept(daily()) == [
        "20250430", "20250531", "20250630", "20250731", "20250831", "20250930", "20251031",
        "20251130", "20251231", "20260131", "20260228", "20260315", "20260322", "20260325",
        "20260326", "20260327", "20260328", "20260329", "20260330", "20260331",
    ]  # fmt: skip


def test_the_classes_of_the_worked_example() -> None:
    briefs = daily()

    assert last_of(briefs, "day") == [f"202603{n}" for n in range(25, 32)]
    assert last_of(briefs, "week") == ["20260315", "20260322", "20260329", "20260331"]
    assert last_of(briefs, "month")[:3] == ["20250430", "20250531", "20250630"]
    assert len(last_of(briefs, "month")) == 12
    assert last_of(briefs, "year") == ["20251231", "20260331"]


def test_variant_a_days_without_a_capture_do_not_count() -> None:
    briefs = daily(without=(date(2026, 3, 10), date(2026, 3, 25)))

    assert last_of(briefs, "day") == [
        "20260309", "20260326", "20260327", "20260328", "20260329", "20260330", "20260331",
    ]  # fmt: skip
    assert last_of(briefs, "week") == ["20260308", "20260309", "20260329", "20260331"]


@pytest.mark.parametrize(
    "stray",
    [
        brief(456, datetime(2036, 2, 7, tzinfo=UTC)),
        brief(456, datetime(2036, 2, 7, tzinfo=UTC), trusted=False),
        brief(456, datetime(2036, 2, 7, tzinfo=UTC), arrived=NOW),
        brief(456, datetime(1970, 1, 1, tzinfo=UTC), arrived=NOW),
    ],
)
def test_variant_b_a_date_that_cannot_be_trusted_pushes_nothing_out(stray: CaptureBrief) -> None:
    rule = msgspec.structs.replace(RULE, at_least=2)

    assert kept([*daily(), stray], rule) == [*kept(daily()), stray.name[7:15]]


@pytest.mark.parametrize(("least", "word"), [(1, "it is the last"), (2, "among the last 2")])
def test_the_last_ones_stay_for_being_the_last(least: int, word: str) -> None:
    rule = Retention(days=0, weeks=0, months=0, years=0, at_least=least)

    verdicts = retention.judge(daily(), rule, now=NOW)

    reasons = [verdict.stays_for for verdict in verdicts if verdict.is_kept]
    assert len(reasons) == least
    assert all(word in reason for reason in reasons)


@pytest.mark.parametrize("field", ["taken_at", "arrived_at"])
def test_a_date_that_is_none_is_not_trusted(field: str) -> None:
    known = brief(1, NOW - timedelta(days=1))
    unknown = msgspec.structs.replace(known, **{field: "never"})

    assert retention.trusted_date(known, NOW) is not None
    assert retention.trusted_date(unknown, NOW) is None
    assert not retention.is_ahead("never", NOW)


@pytest.mark.parametrize(("taken", "arrived"), [(60, 36), (36, 60)])
def test_a_date_is_not_trusted_of_which_one_clock_shows_what_cannot_be_yet(
    taken: int, arrived: int
) -> None:
    ahead = brief(1, NOW + timedelta(hours=taken), arrived=NOW + timedelta(hours=arrived))

    assert retention.trusted_date(ahead, NOW) is None


def test_weeks_are_those_of_iso_8601() -> None:
    # ISO 8601: 2026-12-31 and 2027-01-01 are both in 2026-W53; 2027-01-04 begins 2027-W01.
    moments = [datetime(2026, 12, 31, tzinfo=UTC), datetime(2027, 1, 1, tzinfo=UTC),
               datetime(2027, 1, 4, tzinfo=UTC)]  # fmt: skip
    briefs = [brief(seq, at) for seq, at in enumerate(moments, start=1)]
    rule = Retention(days=0, weeks=2, months=0, years=0, at_least=1)

    assert kept(briefs, rule, datetime(2027, 1, 5, tzinfo=UTC)) == ["20270101", "20270104"]


def test_a_clock_set_back_one_year_deletes_nothing() -> None:
    briefs = daily()[-60:]
    rule = Retention(days=30, weeks=10, months=12, years=8, at_least=3)

    assert len(kept(briefs, rule, NOW - timedelta(days=365))) == 60


def test_a_board_whose_clock_is_never_trusted_is_kept_by_number() -> None:
    briefs = [brief(seq, datetime(1970, 1, 1, tzinfo=UTC), trusted=False) for seq in range(1, 61)]

    verdicts = retention.judge(briefs, RULE, now=NOW)

    assert [v.seq for v in verdicts if v.is_kept] == list(range(36, 61))  # 7 + 4 + 12 + 2 places


def test_what_is_pinned_stays() -> None:
    briefs = daily()
    briefs[10] = msgspec.structs.replace(briefs[10], pinned=True)

    assert kept(briefs)[0] == "20250111"


def test_s04_the_newest_few_stay_whatever_their_dates_say() -> None:
    same_day = [brief(seq, NOW + timedelta(minutes=seq)) for seq in range(1, 20)]
    rule = Retention(days=1, weeks=0, months=0, years=0, at_least=3)

    verdicts = retention.judge(same_day, rule, now=NOW)

    assert [v.seq for v in verdicts if v.is_kept] == [17, 18, 19]


def test_s04_a_flood_of_undated_captures_does_not_push_a_dated_one_out() -> None:
    flood = [brief(456 + n, NOW, trusted=False) for n in range(500)]

    assert set(kept(daily())) <= set(kept([*daily(), *flood]))


def test_s04_a_flood_on_one_day_does_not_push_other_days_out() -> None:
    flood = [brief(456 + n, NOW + timedelta(seconds=n)) for n in range(500)]

    assert set(kept(daily())) - {"20260331"} <= set(kept([*daily(), *flood]))


RULES = st.builds(
    Retention,
    days=st.integers(0, 9),
    weeks=st.integers(0, 5),
    months=st.integers(0, 5),
    years=st.integers(0, 3),
    at_least=st.integers(0, 4),
)
MOMENTS = st.lists(
    st.tuples(
        st.datetimes(datetime(2024, 1, 1), datetime(2026, 3, 30), timezones=st.just(UTC)),  # noqa: DTZ001
        st.booleans(),
    ),
    max_size=60,
)


def drawn(moments: list[tuple[datetime, bool]]) -> list[CaptureBrief]:
    ordered = sorted(at.replace(microsecond=0) for at, _ in moments)
    return [
        brief(seq, at, trusted=trusted)
        for seq, (at, (_, trusted)) in enumerate(zip(ordered, moments, strict=True), start=1)
    ]


@given(MOMENTS, RULES)
def test_the_newest_always_stays(moments: list[tuple[datetime, bool]], rule: Retention) -> None:
    verdicts = retention.judge(drawn(moments), rule, now=NOW)

    assert not verdicts or verdicts[-1].is_kept


@given(MOMENTS, RULES)
def test_thinning_what_was_thinned_changes_nothing(
    moments: list[tuple[datetime, bool]], rule: Retention
) -> None:
    briefs = drawn(moments)
    first = {v.name for v in retention.judge(briefs, rule, now=NOW) if v.is_kept}

    second = retention.judge([b for b in briefs if b.name in first], rule, now=NOW)

    assert {v.name for v in second if v.is_kept} == first


@given(MOMENTS, RULES, st.randoms())
def test_a_thinning_that_was_cut_off_keeps_all_that_a_whole_one_keeps(
    moments: list[tuple[datetime, bool]], rule: Retention, random: object
) -> None:
    briefs = drawn(moments)
    verdicts = retention.judge(briefs, rule, now=NOW)
    whole = {v.name for v in verdicts if v.is_kept}
    gone = [v.name for v in verdicts if not v.is_kept][::2]

    again = retention.judge([b for b in briefs if b.name not in gone], rule, now=NOW)

    assert whole <= {v.name for v in again if v.is_kept}


@given(MOMENTS, RULES)
def test_verdicts_are_in_order_and_one_each(
    moments: list[tuple[datetime, bool]], rule: Retention
) -> None:
    verdicts = retention.judge(drawn(moments), rule, now=NOW)

    assert all(one.seq < other.seq for one, other in pairwise(verdicts))
    assert len(verdicts) == len(moments)


def test_the_newest_capture_without_damage_stays_when_newer_ones_are_damaged() -> None:
    briefs = daily()
    damaged = [*briefs[:60], *(msgspec.structs.replace(b, damaged_at="x") for b in briefs[60:])]

    assert briefs[59].name[7:15] not in kept(briefs)
    assert briefs[59].name[7:15] in kept(damaged)


NOTHING_BUT = Retention(days=0, weeks=0, months=0, years=0, at_least=1)


def reasons(briefs: list[CaptureBrief], rule: Retention = NOTHING_BUT) -> list[str]:
    return [verdict.stays_for for verdict in retention.judge(briefs, rule, now=NOW)]


def test_the_newest_with_a_date_beyond_doubt_stays_although_a_newer_one_is_whole() -> None:
    dated, undated = daily()[-2:]

    words = reasons([dated, msgspec.structs.replace(undated, clock_trusted=False)])

    assert words == ["nothing newer has a date beyond doubt", "it is the last"]


def test_the_newest_undamaged_one_stays_when_no_date_is_beyond_doubt() -> None:
    older, whole, damaged = (
        msgspec.structs.replace(brief, clock_trusted=False) for brief in daily()[-3:]
    )

    words = reasons([older, whole, msgspec.structs.replace(damaged, damaged_at="x")])

    assert words == ["", "nothing newer is undamaged", "it is the last"]


@pytest.mark.parametrize(("late", "is_trusted"), [(0, True), (1, False), (-1, True)])
def test_two_days_between_date_and_arrival_are_the_most(late: int, *, is_trusted: bool) -> None:
    at = NOW - timedelta(days=10)
    arrived = at + timedelta(days=2, seconds=late)

    assert bool(retention.trusted_date(brief(1, at, arrived=arrived), NOW)) == is_trusted


def test_the_last_capture_stays_whatever_the_rule() -> None:
    none = Retention(days=0, weeks=0, months=0, years=0, at_least=0)
    damaged = [
        msgspec.structs.replace(each, faults=("damaged",))
        for each in (brief(1, NOW - timedelta(days=2)), brief(2, NOW - timedelta(days=1)))
    ]

    first, last = retention.judge(damaged, none, now=NOW)

    assert (first.is_kept, last.is_kept) == (False, True)
    assert "it is the last" in last.stays_for
