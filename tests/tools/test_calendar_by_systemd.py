"""Our dates, beside those of systemd's own calendar; they differ on the nights that we promise."""

from __future__ import annotations

import re
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from holdstill.schedule.calendar import Rule
from support import programs

COUNT = 40


def by_systemd(words: str, after: str) -> list[str]:
    """Return the next moments in UTC, as systemd-analyze says them."""
    said = programs.run(
        *("env", "TZ=UTC", "systemd-analyze", "calendar", words),
        *(f"--base-time={after} UTC", f"--iterations={COUNT}"),
    ).decode()
    return re.findall(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d(?= UTC)", said)


def by_us(rule: Rule, zone: str, after: str) -> list[str]:
    moment = datetime.fromisoformat(after).replace(tzinfo=UTC)
    found = []
    for _ in range(COUNT):
        moment = rule.next_due(moment, ZoneInfo(zone))
        found.append(f"{moment:%Y-%m-%d %H:%M:%S}")
    return found


@pytest.mark.parametrize(
    ("words", "rule", "zone", "after", "only_ours"),
    [
        # The night without a 02:30: systemd waits for the next one, a capture does not.
        (
            *("*-*-* 02:30:00 Europe/Berlin", Rule(time(2, 30)), "Europe/Berlin"),
            *("2026-03-10 12:00:00", {"2026-03-29 01:00:00"}),
        ),
        (
            *("*-*-* 02:30:00 Europe/Berlin", Rule(time(2, 30)), "Europe/Berlin"),
            *("2026-10-10 12:00:00", set()),
        ),
        (
            *("Mon,Thu *-*-* 23:45:00 America/New_York", Rule(time(23, 45), frozenset({0, 3}))),
            *("America/New_York", "2026-09-10 12:00:00", set()),
        ),
        (
            *("*-*-* 04:05:00 Asia/Kathmandu", Rule(time(4, 5)), "Asia/Kathmandu"),
            *("2026-01-10 12:00:00", set()),
        ),
    ],
)
def test_both_calendars_agree_but_for_the_missing_hour(
    words: str, rule: Rule, zone: str, after: str, only_ours: set[str]
) -> None:
    theirs, ours = by_systemd(words, after), by_us(rule, zone, after)

    both = min(theirs[-1], ours[-1])  # ours may have needed more of its count
    assert len(theirs) == COUNT
    assert {at for at in ours if at <= both} - {*theirs} == only_ours
    assert {at for at in theirs if at <= both} - {*ours} == set()
