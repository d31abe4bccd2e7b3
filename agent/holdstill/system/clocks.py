"""Time comes from here: durations from the monotonic clock, dates only for display."""

from __future__ import annotations

import ctypes
import os
import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What tells the time, and waits."""

    def monotonic(self) -> float:
        """Return seconds on a clock that is never set."""

    def now(self) -> datetime:
        """Return the wall clock's moment, in UTC."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


class SystemClock:
    """The machine's clocks."""

    def monotonic(self) -> float:
        """Return seconds since boot, not counting sleep."""
        return time.monotonic()

    def now(self) -> datetime:
        """Return the wall clock's moment, in UTC."""
        return datetime.now(UTC)

    def sleep(self, seconds: float) -> None:
        """Wait."""
        time.sleep(seconds)


CLOCK_REALTIME_COARSE = 5
"""Of linux/time.h; Python has no name for it."""


def coarse_now_ns() -> int:
    """Return the kernel's coarse wall clock, which is the one that stamps inodes."""
    return time.clock_gettime_ns(CLOCK_REALTIME_COARSE)


_SYS_GETTIMEOFDAY = {"x86_64": 96, "aarch64": 169, "riscv64": 169, "armv7l": 78, "armv6l": 78}


def kernel_minutes_west() -> int:
    """Return the kernel's own time zone, by which it reads FAT times: minutes west of Greenwich.

    It is 0 unless the hardware clock runs on local time. The C library no longer tells it.
    """
    zone = (ctypes.c_int * 2)()
    number = _SYS_GETTIMEOFDAY.get(os.uname().machine)
    if number is None or ctypes.CDLL(None).syscall(number, None, zone) != 0:
        return 0
    return int(zone[0])


STA_UNSYNC = 0x0040
"""Of linux/timex.h: nothing keeps the clock right, or not any longer."""
_TIMEX_STATUS = 5
"""Where `status` is in struct timex, in longs: behind modes, offset, freq, maxerror, esterror."""
_TIMEX_LONGS = 64
"""More than struct timex has on any machine."""


def is_kept_right() -> bool:
    """Tell whether a time service keeps the kernel's clock right (adjtimex(2), STA_UNSYNC).

    The kernel forgets it some hours after the last adjustment.
    """
    timex = (ctypes.c_long * _TIMEX_LONGS)()  # modes 0: look, change nothing
    if ctypes.CDLL(None).adjtimex(ctypes.byref(timex)) < 0:
        return False
    status = ctypes.c_int.from_buffer(timex, _TIMEX_STATUS * ctypes.sizeof(ctypes.c_long))
    return not status.value & STA_UNSYNC


def rfc3339(moment: datetime) -> str:
    """Write a moment as RFC 3339 UTC with fixed digits, such as 2026-11-25T02:15:03Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
