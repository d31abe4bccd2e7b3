"""A file that is read no faster than so many bytes a second: others use the line as well."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from typing_extensions import Buffer

    from holdstill.system.clocks import Clock

_STEP = 64 << 10
"""Bytes that are read at a time."""


class _SlowFile(io.FileIO):
    def __init__(self, path: Path, rate: int, clock: Clock) -> None:
        super().__init__(path)
        self._rate, self._clock = rate, clock
        self._due = clock.monotonic()

    def readinto(self, buffer: Buffer, /) -> int | None:
        """Read the next bytes when it is their time."""
        count = super().readinto(memoryview(buffer)[:_STEP])
        if self._rate and count:
            now = self._clock.monotonic()
            if now < self._due:
                self._clock.sleep(self._due - now)
            # Time that nobody used is not made up for: no burst after a wait.
            self._due = max(now, self._due) + count / self._rate
        return count


def opened(path: Path, rate: int, clock: Clock) -> io.BufferedReader:
    """Open a file for reading, which the caller closes.

    Args:
        path: of the file.
        rate: most bytes a second; 0 = no limit.
        clock: to wait by.
    """
    return io.BufferedReader(_SlowFile(path, rate, clock), _STEP)
