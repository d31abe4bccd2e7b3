from __future__ import annotations

import pytest

from holdstill.errors import DocumentError
from holdstill.model import settings
from holdstill.model.settings import Weekday

BOARD = "board: pier-3\nkeeper: /srv/holdstill\n"


def problems(more: str) -> tuple[str, ...]:
    with pytest.raises(DocumentError) as caught:
        settings.decode_board_settings((BOARD + more).encode())
    return caught.value.problems


@pytest.mark.parametrize("text", ["24:00", "2:30", "02:60", "02:30:00", "half past two"])
def test_a_time_is_hours_and_minutes(text: str) -> None:
    found = problems(f"nightly: {{time: '{text}'}}\n")

    assert len(found) == 1
    assert found[0].startswith("nightly.time: ")


def test_a_time_needs_no_quotes() -> None:
    found = settings.decode_board_settings((BOARD + "nightly: {time: 12:30}\n").encode())

    assert found.nightly.time == "12:30"


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("{days: [monday, monday]}", "days"),
        ("{spread_minutes: -1}", "spread_minutes"),
        ("{spread_minutes: 721}", "spread_minutes"),
        ("{settle_minutes: 721}", "settle_minutes"),
        ("{clock_minutes: -1}", "clock_minutes"),
        ("{retry_hours: 20.5}", "retry_hours"),
        ("{longest_hours: 0}", "longest_hours"),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_key(line: str, key: str) -> None:
    found = problems(f"nightly: {line}\n")

    assert found[0].startswith(f"nightly.{key}: ")


@pytest.mark.parametrize(
    ("days", "gap"),
    [
        ((), 1),
        (tuple(Weekday), 1),
        ((Weekday.SUNDAY,), 7),
        ((Weekday.MONDAY, Weekday.THURSDAY), 4),
        ((Weekday.SUNDAY, Weekday.MONDAY), 6),
    ],
)
def test_the_longest_gap_between_runs(days: tuple[Weekday, ...], gap: int) -> None:
    assert settings.longest_gap(days) == gap


def test_a_board_that_runs_weekly_is_not_silent_after_three_days() -> None:
    found = problems("nightly: {days: [sunday]}\n")

    assert len(found) == 1
    assert found[0].startswith("notify.silent_days: must be more than the 7 days between")


def test_metrics_need_a_name_that_the_exporter_reads() -> None:
    found = problems("notify: {metrics_file: /var/lib/holdstill.txt, urls_file: urls}\n")

    assert [line.partition(":")[0] for line in found] == [
        "notify.urls_file",
        "notify.metrics_file",
    ]


def test_a_keeper_waits_at_least_a_day_for_each_board() -> None:
    given = b"store: /srv/x\nnotify: {silent_days: 0, silent_days_of: {pier-3: 0}}\n"

    with pytest.raises(DocumentError) as caught:
        settings.decode_keeper_settings(given)

    assert caught.value.problems == (
        "notify.silent_days: must be 1 or more",
        "notify.silent_days_of.pier-3: must be 1 or more",
    )
