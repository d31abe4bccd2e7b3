"""How fast the line to the keeper is, as transfers show, and how large a batch suits it."""

from __future__ import annotations

import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.system.clocks import Clock

BATCH_SECONDS = 30.0
"""What a batch takes. After a cut its names are said again, and it is asked about again, some 200
bytes a file; a login, 5 KB and a few round trips, is what a batch costs without a cut."""
BYTES_FIRST, BYTES_LEAST, BYTES_MOST = 8 << 20, 512 << 10, 256 << 20
"""Bytes of a batch: while the rate is not known, and at any rate."""
FILES_FIRST, FILES_LEAST, FILES_MOST = 1000, 100, 2000
FILE_BYTES = 4 << 10
"""A small file, with what is said of it."""
SAMPLE_BYTES, SAMPLE_SECONDS = 256 << 10, 1.0
"""Less than that says more about logins than about the line."""


class LineMeter:
    """Counts what transfers bring over the line, and how long that takes. Threads may share it.

    Args:
        clock: measures.
        rate: bytes a second that are known from before, or a limit; 0 for not known.
    """

    def __init__(self, clock: Clock, rate: float = 0.0) -> None:
        self._clock, self._rate = clock, rate
        self._lock = threading.Lock()
        self._active = self._sent = self._transfers = 0
        self._since = self._busy = 0.0
        self._is_measured = False

    @property
    def rate(self) -> float:
        """Bytes a second, of all transfers together; 0 for not known."""
        return self._rate

    @property
    def measured(self) -> float:
        """The same, if this meter has seen it itself, else 0."""
        return self._rate if self._is_measured else 0.0

    @property
    def batch_bytes(self) -> int:
        """Bytes of contents that are a batch."""
        if not self._rate:
            return BYTES_FIRST
        return max(BYTES_LEAST, min(BYTES_MOST, int(self._rate * BATCH_SECONDS)))

    @property
    def batch_files(self) -> int:
        """Files that are a batch."""
        if not self._rate:
            return FILES_FIRST
        return max(FILES_LEAST, min(FILES_MOST, self.batch_bytes // FILE_BYTES))

    @contextmanager
    def sending(self) -> Iterator[Callable[[int], None]]:
        """Measure a transfer; what is called is told of the bytes that went over the line.

        A transfer that breaks says nothing about the rate.
        """
        sent: list[int] = []
        with self._lock:
            if not self._active:
                self._since = self._clock.monotonic()
            self._active += 1
        try:
            yield sent.append
        except BaseException:
            self._count(None)
            raise
        self._count(sum(sent))

    def _count(self, sent: int | None) -> None:
        with self._lock:
            now = self._clock.monotonic()
            self._active -= 1
            self._busy += now - self._since
            self._since = now
            self._sent += sent or 0
            self._transfers += 1
            is_worth_it = self._sent >= self._transfers * SAMPLE_BYTES
            if sent is not None and is_worth_it and self._busy >= SAMPLE_SECONDS:
                seen = self._sent / self._busy
                # Transfers end at odd moments of each other: two samples are better than one.
                self._rate = (self._rate + seen) / 2 if self._is_measured else seen
                self._is_measured = True
            elif sent is not None and self._busy < SAMPLE_SECONDS:
                return  # too short yet
            self._sent, self._busy, self._transfers = 0, 0.0, 0
