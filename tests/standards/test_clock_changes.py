"""Nights on which clocks change, against the tz database's published transitions of 2026.

Source: IANA Time Zone Database, files europe, northamerica and australasia; the moments were
written down from it (STANDARDS 9). A rule for what to do on such nights is no standard; ours is:
one run for each local date, a missing time counts as the next that exists, a doubled one once.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import pytest

from holdstill.schedule import calendar
from holdstill.schedule.calendar import Rule

BERLIN, NEW_YORK, LORD_HOWE = "Europe/Berlin", "America/New_York", "Australia/Lord_Howe"


@pytest.mark.parametrize(
    ("zone", "day", "at", "expected"),
    [
        # The last minute before the gap, the gap itself, and its end: 01:00 UTC.
        (BERLIN, date(2026, 3, 29), time(1, 59), "2026-03-29T00:59"),
        (BERLIN, date(2026, 3, 29), time(2, 0), "2026-03-29T01:00"),
        (BERLIN, date(2026, 3, 29), time(2, 30), "2026-03-29T01:00"),
        (BERLIN, date(2026, 3, 29), time(3, 0), "2026-03-29T01:00"),
        (BERLIN, date(2026, 3, 29), time(3, 30), "2026-03-29T01:30"),
        # 02:30 comes twice, at 00:30 and 01:30 UTC; it counts the first time.
        (BERLIN, date(2026, 10, 25), time(2, 30), "2026-10-25T00:30"),
        (BERLIN, date(2026, 10, 25), time(3, 0), "2026-10-25T02:00"),
        (NEW_YORK, date(2026, 3, 8), time(2, 30), "2026-03-08T07:00"),
        (NEW_YORK, date(2026, 11, 1), time(1, 30), "2026-11-01T05:30"),
        # Half an hour only: 02:00 to 02:30 is missing on 4 October, 01:30 to 02:00 comes twice
        # on 5 April.
        (LORD_HOWE, date(2026, 10, 4), time(2, 10), "2026-10-03T15:30"),
        (LORD_HOWE, date(2026, 4, 5), time(1, 45), "2026-04-04T14:45"),
        # Samoa had no 30 December 2011 (IANA, file australasia).
        ("Pacific/Apia", date(2011, 12, 29), time(2, 30), "2011-12-29T12:30"),
        ("Pacific/Apia", date(2011, 12, 30), time(2, 30), None),
        ("Pacific/Apia", date(2011, 12, 31), time(2, 30), "2011-12-30T12:30"),
    ],
)
def test_a_local_time_comes_when_the_tz_database_says(
    zone: str, day: date, at: time, expected: str | None
) -> None:
    moment = calendar.moment_of(day, at, ZoneInfo(zone))

    known = None if expected is None else datetime.fromisoformat(expected).replace(tzinfo=UTC)
    assert moment == known


@pytest.mark.parametrize(
    ("zone", "after", "expected"),
    [
        # systemd 252 skips the first of these nights; one capture a date is our promise.
        (BERLIN, "2026-03-28T12:00", ["2026-03-29T01:00", "2026-03-30T00:30"]),
        (BERLIN, "2026-10-24T12:00", ["2026-10-25T00:30", "2026-10-26T01:30"]),
        (LORD_HOWE, "2026-10-03T00:00", ["2026-10-03T15:30", "2026-10-04T15:15"]),
    ],
)
def test_the_runs_around_a_change_are_those_of_their_dates(
    zone: str, after: str, expected: list[str]
) -> None:
    rule = Rule(time(2, 15) if zone == LORD_HOWE else time(2, 30))
    moment = datetime.fromisoformat(after).replace(tzinfo=UTC)

    found = []
    for _ in expected:
        moment = rule.next_due(moment, ZoneInfo(zone))
        found.append(f"{moment:%Y-%m-%dT%H:%M}")

    assert found == expected
