"""The limit of a line by the hour: pure."""

from __future__ import annotations

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import DocumentError
from holdstill.model import line_settings, settings
from holdstill.model.line_settings import LineSettings
from holdstill.model.sizes import ByteSize

KIB = 1 << 10
SSH = "board: pier-3\nkeeper: ssh://boathouse@keeper.example\n"
FOLDER = "board: pier-3\nkeeper: /mnt/captures\n"

TOO_SHORT = "nightly.until: must be later than nightly.time and its spread_minutes"
NO_TIME = "nightly.time: must be a time such as 02:30, from 00:00 to 23:59"


def read(text: str, keeper: str = SSH) -> settings.BoardSettings:
    return settings.decode_board_settings((keeper + text).encode())


def problems(text: str, keeper: str = SSH) -> tuple[str, ...]:
    with pytest.raises(DocumentError) as failure:
        read(text, keeper)
    return failure.value.problems


def test_nothing_is_limited_unless_somebody_says_so() -> None:
    assert not read("").line.is_limited
    assert not read("line: {limit: 0}\n").line.is_limited


@pytest.mark.parametrize(
    ("at", "limit"),
    [
        (time(6, 59), 1024 * KIB), (time(7), 64 * KIB), (time(21, 59, 59), 64 * KIB),
        (time(22), 1024 * KIB), (time(23), 0), (time(0), 0), (time(0, 59), 0),
        (time(1), 1024 * KIB),
    ],
)  # fmt: skip
def test_the_hours_decide_and_may_go_over_midnight(at: time, limit: int) -> None:
    line = read('line: {limit: 1M, hours: {"07:00-22:00": 64K, "23:00-01:00": 0}}\n').line

    assert line.is_limited
    assert line_settings.limit_at(line, at) == limit
    assert line_settings.least_limit(line) == 64 * KIB


@pytest.mark.parametrize("text", ["00:00-24:00", "00:00-00:00", "13:00-13:00"])
@given(at=st.times())
def test_a_whole_day_is_every_moment_of_it(text: str, at: time) -> None:
    line = LineSettings(hours={text: ByteSize(8 * KIB)})

    assert line_settings.limit_at(line, at) == 8 * KIB


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("limit: 500", "line.limit: must be 4K or more, in bytes a second, or 0 for no limit"),
        (
            'hours: {"07:00-22:00": 1K}',
            "line.hours.07:00-22:00: must be 4K or more, in bytes a second, or 0 for no limit",
        ),
        (
            'hours: {"7-22": 64K}',
            "line.hours.7-22: must be two times such as 07:00-22:00",
        ),
        (
            'hours: {"07:00-22:00": 64K, "21:00-02:00": 8K}',
            "line.hours.21:00-02:00: overlaps 07:00-22:00",
        ),
    ],
)
def test_limits_that_make_no_sense_are_refused_by_key(text: str, problem: str) -> None:
    assert problems(f"line: {{{text}}}\n") == (problem,)


def test_a_directory_has_no_line() -> None:
    assert problems("line: {limit: 64K}\n", FOLDER) == (
        "line: limits what goes over SSH, and `keeper` is a directory",
    )
    assert problems("line: {limit: 64K}\n", "board: pier-3\n") == ("keeper: missing",)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('until: "6"', "nightly.until: must be a time such as 06:00, from 00:00 to 23:59"),
        ('until: "02:30"', TOO_SHORT),
        ('until: "03:00"', TOO_SHORT),
        ('time: "", until: "03:00"', NO_TIME),
    ],
)  # fmt: skip
def test_a_night_must_have_some_length(text: str, problem: str) -> None:
    assert problems(f"nightly: {{{text}}}\n") == (problem,)


@pytest.mark.parametrize("until", ["03:01", "02:29", "00:00"])
def test_a_night_ends_the_next_time_that_the_clock_shows(until: str) -> None:
    assert read(f'nightly: {{until: "{until}"}}\n').nightly.until == until
