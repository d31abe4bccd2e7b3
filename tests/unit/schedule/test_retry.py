from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import (
    BusyError,
    LinkError,
    PauseError,
    PreflightError,
    SecurityError,
    UsageError,
)
from holdstill.schedule import retry
from holdstill.schedule.retry import NightRetries

SIX_HOURS = 6 * 3600.0


def waits(code: int, *, limit: float = SIX_HOURS) -> list[float]:
    """Return how long each next try is waited for, when all fail at once."""
    night: NightRetries | None = NightRetries("2026-11-26", 1000.0, 1000.0)
    found = []
    while night is not None:
        now = night.next_try
        night = night.after(code, now=now, limit=limit)
        if night is not None:
            found.append(night.next_try - now)
    return found


def test_while_the_keeper_is_away_it_is_tried_soon_then_every_half_hour_then_no_more() -> None:
    found = waits(LinkError.exit_code)

    assert found[:8] == [15, 30, 60, 120, 240, 480, 960, 1800]
    assert set(found[8:]) == {1800}
    assert SIX_HOURS - 1800 < sum(found) <= SIX_HOURS


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        (PreflightError.exit_code, [1800, 1800, 1800]),
        (PauseError.exit_code, [600]),
        (BusyError.exit_code, [300] * 72),
        (SecurityError.exit_code, []),
        (UsageError.exit_code, []),
        (70, []),
    ],
)
def test_each_kind_of_failure_has_its_patience(code: int, expected: list[float]) -> None:
    assert waits(code) == expected


def test_failures_of_other_kinds_do_not_use_up_the_patience() -> None:
    night = NightRetries("", 0.0, 0.0, (LinkError.exit_code, LinkError.exit_code))

    left = night.after(PauseError.exit_code, now=60.0, limit=SIX_HOURS)

    assert left is not None
    assert left.next_try == 660.0


def test_somebody_who_wants_no_second_try_gets_none() -> None:
    assert waits(LinkError.exit_code, limit=0.0) == []


@given(st.text(min_size=1), st.integers(0, 720).map(lambda m: timedelta(minutes=m)))
def test_a_boards_share_is_its_own_and_inside_the_spread(board: str, spread: timedelta) -> None:
    share = retry.share(board, spread)

    assert share == retry.share(board, spread)
    assert timedelta() <= share <= spread
    assert share.microseconds == 0


def test_many_boards_are_spread_evenly() -> None:
    shares = [retry.share(f"pier-{n}", timedelta(minutes=30)) for n in range(300)]

    quarters = [
        sum(450 * q <= s.total_seconds() < 450 * (q + 1) for s in shares) for q in range(4)
    ]

    assert sum(quarters) == 300
    assert min(quarters) > 50
