"""Counts the bytes that are read from a source, for progress."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.system.byte_source import ByteSource

_STEP = 8 << 20
"""Bytes read between two reports of progress."""


class Meter:
    """Counts bytes, and reports the total now and then; threads may add."""

    def __init__(self, report: Callable[[int], None]) -> None:
        self._report = report
        self._total = 0
        self._reported = 0
        self._lock = threading.Lock()

    def add(self, count: int) -> None:
        """Count bytes that were read."""
        with self._lock:
            self._total += count
            if self._total - self._reported >= _STEP:
                self._reported = self._total
                self._report(self._total)


class MeteredSource:
    """A source whose reading is counted."""

    def __init__(self, source: ByteSource, meter: Meter) -> None:
        self.below = source
        self._meter = meter

    @property
    def size(self) -> int:
        """Bytes."""
        return self.below.size

    def read(self, offset: int, length: int) -> bytes:
        """Return length bytes from offset; EOFError when there are not so many."""
        self._meter.add(length)
        return self.below.read(offset, length)
