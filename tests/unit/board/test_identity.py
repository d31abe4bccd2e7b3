from __future__ import annotations

import pytest

from holdstill.board.identity import ClockSigns, is_clock_trusted

# What a board shows, by FAULTS 5 ("Clock without RTC"); systemd-timesyncd(8), adjtimex(2).
RTC_LESS_JUST_BOOTED = ClockSigns(
    is_kept_right=False, was_set=False, awaits=False, lost_power=True
)
BATTERY_ONLY = ClockSigns(is_kept_right=False, was_set=False, awaits=False, lost_power=False)
TIMESYNCD_WAITS = ClockSigns(is_kept_right=False, was_set=False, awaits=True, lost_power=False)
TIMESYNCD_LOST_ITS_NETWORK = ClockSigns(
    is_kept_right=False, was_set=True, awaits=True, lost_power=True
)
CHRONY_WORKS = ClockSigns(is_kept_right=True, was_set=False, awaits=False, lost_power=True)


@pytest.mark.parametrize("signs", [BATTERY_ONLY, TIMESYNCD_LOST_ITS_NETWORK, CHRONY_WORKS])
def test_a_clock_that_something_has_set_is_believed(signs: ClockSigns) -> None:
    assert is_clock_trusted(2026, signs)


@pytest.mark.parametrize("signs", [RTC_LESS_JUST_BOOTED, TIMESYNCD_WAITS])
def test_a_clock_that_nothing_has_set_is_not_believed(signs: ClockSigns) -> None:
    assert not is_clock_trusted(2026, signs)


@pytest.mark.parametrize("year", [1970, 2023, 2101])
def test_no_sign_makes_up_for_a_year_that_cannot_be(year: int) -> None:
    assert not is_clock_trusted(year, CHRONY_WORKS)
