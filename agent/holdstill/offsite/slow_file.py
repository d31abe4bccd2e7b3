"""A file that is read no faster than so many bytes a second: others use the line as well."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from typing_extensions import Buffer

    from holdstill.system.clocks import Clock

_STEP = 64 << 10
"""Bytes that are read at a time."""


class GivenUp(BaseException):
    """Nobody wants the rest of a file any more: no error, so that no client tries again."""


class _SlowFile(io.FileIO):
    def __init__(
        self, path: Path, rate: int, clock: Clock, is_given_up: Callable[[], bool]
    ) -> None:
        super().__init__(path)
        self._rate, self._clock, self._is_given_up = rate, clock, is_given_up
        self._due = clock.monotonic()

    def readinto(self, buffer: Buffer, /) -> int | None:
        """Read the next bytes when it is their time."""
        if self._is_given_up():
            raise GivenUp
        count = super().readinto(memoryview(buffer)[:_STEP])
        if self._rate and count:
            now = self._clock.monotonic()
            if now < self._due:
                self._clock.sleep(self._due - now)
            # Time that nobody used is not made up for: no burst after a wait.
            self._due = max(now, self._due) + count / self._rate
        return count


def opened(
    path: Path, rate: int, clock: Clock, *, is_given_up: Callable[[], bool]
) -> io.BufferedReader:
    """Open a file for reading, which the caller closes.

    Args:
        path: of the file.
        rate: most bytes a second; 0 = no limit.
        clock: to wait by.
        is_given_up: is asked before each read, which raises GivenUp from then on.
    """
    return io.BufferedReader(_SlowFile(path, rate, clock, is_given_up), _STEP)
