from __future__ import annotations

from holdstill.board import ctime_window
from holdstill.board.ctime_window import ClockReading, CtimeWindow

SECOND = 1_000_000_000
NOON = 1_795_608_000 * SECOND


def test_what_changed_after_the_sync_began_is_suspect() -> None:
    window = ctime_window.window(ClockReading(NOON, 100.0), ClockReading(NOON + SECOND, 101.0))

    assert window.has(NOON + 5)
    assert window.has(NOON + SECOND + 1)


def test_what_changed_one_tick_before_is_suspect_since_stamps_lag() -> None:
    window = ctime_window.window(ClockReading(NOON, 100.0), ClockReading(NOON, 100.0))

    assert window.has(NOON - 10_000_001)
    assert not window.has(NOON - 20_000_001)


def test_what_changed_long_before_is_not_suspect() -> None:
    window = ctime_window.window(ClockReading(NOON, 100.0), ClockReading(NOON + SECOND, 101.0))

    assert not window.has(NOON - 3 * SECOND + 1)


def test_a_ctime_from_before_the_clock_was_put_right_is_not_suspect() -> None:
    window = ctime_window.window(ClockReading(NOON, 100.0), ClockReading(NOON + SECOND, 101.0))

    assert not window.has(NOON + 365 * 86400 * SECOND + 1)


def test_setting_the_clock_back_widens_the_window_to_both_sides() -> None:
    back = 3600 * SECOND

    window = ctime_window.window(
        ClockReading(NOON, 100.0), ClockReading(NOON - back + SECOND, 101.0)
    )

    assert window.has(NOON + 1)
    assert window.has(NOON - back + 1)


def test_setting_the_clock_forward_widens_the_window() -> None:
    forward = 3600 * SECOND

    window = ctime_window.window(
        ClockReading(NOON, 100.0), ClockReading(NOON + forward + SECOND, 101.0)
    )

    assert window.has(NOON + 1)
    assert window.has(NOON + forward + SECOND)
    assert not window.has(NOON - SECOND - 1)


def test_whole_seconds_are_suspect_from_the_start_of_their_tick() -> None:
    # Inodes of 128 bytes keep no fraction (Linux Documentation/filesystems/ext4/inodes.rst); FAT
    # keeps two-second steps (Microsoft, FAT: General Overview of On-Disk Format, page 25).
    window = CtimeWindow(NOON + SECOND + SECOND // 2, NOON + 9 * SECOND)

    assert window.has(NOON)
    assert window.has(NOON + SECOND)
    assert not window.has(NOON + SECOND + 1)
    assert not window.has(NOON - SECOND)


def test_its_seconds_hold_every_ctime_that_it_has() -> None:
    window = CtimeWindow(NOON + SECOND + 1, NOON + 3 * SECOND + 1)

    low, high = window.seconds()

    for ctime in range(NOON - 2 * SECOND, NOON + 6 * SECOND, SECOND // 2):
        assert not window.has(ctime) or low <= ctime // SECOND <= high


class SetClock:
    def __init__(self) -> None:
        self.seconds = 7.0

    def monotonic(self) -> float:
        return self.seconds


def test_both_clocks_are_read() -> None:
    clocks = ctime_window.InodeClock(SetClock(), lambda: NOON)

    assert clocks.now() == ClockReading(NOON, 7.0)
