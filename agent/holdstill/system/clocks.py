"""Clocks: durations are taken from the monotonic clock, dates only for display."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol

from holdstill.system import libc


class Clock(Protocol):
    """Two clocks, and a way to wait."""

    def monotonic(self) -> float:
        """Return seconds on a clock that is never set."""

    def now(self) -> datetime:
        """Return the wall clock's time, in UTC."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


class SystemClock:
    """The clocks of this machine."""

    def monotonic(self) -> float:
        """Return seconds since boot, not counting suspend."""
        return time.monotonic()

    def now(self) -> datetime:
        """Return the wall clock's time, in UTC."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


CLOCK_REALTIME_COARSE = 5
"""Of linux/time.h; the time module has no name for it."""


def coarse_now_ns() -> int:
    """Return the kernel's coarse wall clock, which is the one that stamps inodes."""
    return time.clock_gettime_ns(CLOCK_REALTIME_COARSE)


def thread_seconds() -> float:
    """Return the seconds of processor time that this thread has taken."""
    return time.thread_time()


def kernel_minutes_west() -> int:
    """Return the kernel's own time zone, in which it reads FAT times: minutes west of Greenwich.

    It is 0 unless the hardware clock runs on local time, or where the kernel cannot be queried.
    """
    try:
        return libc.kernel_minutes_west()
    except OSError:
        return 0


STA_UNSYNC = 0x0040
"""Of linux/timex.h: no time service keeps the clock right, or not any longer."""


def is_kept_right() -> bool:
    """Whether a time service keeps the kernel's clock right (adjtimex(2), STA_UNSYNC).

    The kernel sets STA_UNSYNC again some hours after the last adjustment.
    """
    try:
        return not libc.clock_status() & STA_UNSYNC
    except OSError:
        return False


def rfc3339(moment: datetime) -> str:
    """Write a moment as RFC 3339 UTC with fixed digits, such as 2026-11-25T02:15:03Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
