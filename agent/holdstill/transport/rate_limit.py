"""A limit in bytes a second that several connections share."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.system.clocks import Clock

STEP = 0.1
"""Seconds' worth of bytes that pass at a time: after so long, a limit that was changed holds."""
CHUNK_LEAST, CHUNK_MOST = 256, 64 << 10


class RateLimit:
    """Who has bytes to send asks for `chunk`, and calls `passed` before sending that many.

    Args:
        clock: is slept by.
        rate: returns the bytes a second that may pass now; 0 for no limit.
    """

    def __init__(self, clock: Clock, rate: Callable[[], int]) -> None:
        self._clock, self._rate = clock, rate
        self._lock = threading.Lock()
        self._free_at = clock.monotonic()

    @property
    def chunk(self) -> int:
        """Bytes that may be sent at a time."""
        rate = self._rate()
        return min(CHUNK_MOST, max(CHUNK_LEAST, int(rate * STEP))) if rate else CHUNK_MOST

    def passed(self, count: int) -> None:
        """Wait until so many bytes more may pass, in the order of those who ask."""
        with self._lock:
            rate, now = self._rate(), self._clock.monotonic()
            # What was not used is not saved up, but for one step: a wait may take a little longer.
            begin = max(now - STEP, self._free_at)
            self._free_at = begin + (count / rate if rate else 0.0)
            wait = self._free_at - now
        if wait > 0:
            self._clock.sleep(wait)
