"""Writing to the target in large pieces, although contents come in small ones.

A card is slower than memory by far. Without a pace, memory would take nearly everything at once;
progress would say so, and the card's errors would come at the very end.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import TargetFailedError
from holdstill.rebuild import splice

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future, ThreadPoolExecutor

AT_ONCE = 1 << 20
"""Bytes that are collected before they are written."""
DIRECT = 256 << 10
"""Bytes from which on a chunk is written by itself, and left out where it is all zeroes."""


SYNC_EVERY = 32 << 20
"""Bytes after which a device is made to take what it was given; as much again waits meanwhile."""


class Pace(Protocol):
    """Holds a writer back."""

    def wrote(self, count: int) -> None:
        """Wait if too much is under way; raise OSError if the target failed."""

    def settle(self) -> None:
        """Wait for all that is under way; raise OSError if the target failed."""


class Unpaced:
    """As fast as it goes."""

    def wrote(self, count: int) -> None:
        """Do nothing."""

    def settle(self) -> None:
        """Do nothing."""


class Paced:
    """As fast as a device takes it, one piece behind."""

    def __init__(self, target: int, thread: ThreadPoolExecutor) -> None:
        self._target = target
        self._thread = thread
        self._count = 0
        self._pending: Future[None] | None = None

    def wrote(self, count: int) -> None:
        """Wait if too much is under way; raise OSError if the target failed."""
        self._count += count
        if self._count >= SYNC_EVERY:
            self.settle()
            self._count = 0
            self._pending = self._thread.submit(os.fdatasync, self._target)

    def settle(self) -> None:
        """Wait for all that is under way; raise OSError if the target failed."""
        if self._pending is not None:
            pending, self._pending = self._pending, None
            pending.result()


class Output:
    """Bytes on their way to an open target; call finish at the end."""

    def __init__(self, target: int, pace: Pace) -> None:
        self._target = target
        self._pace = pace
        self._chunks: list[bytes | memoryview] = []
        self._start = self._end = 0

    def write(self, position: int, chunk: bytes | memoryview) -> None:
        """Write bytes, now or later."""
        if len(chunk) >= DIRECT:
            self._do(position, lambda: splice.put(self._target, position, chunk))
            self._do(position, lambda: self._pace.wrote(len(chunk)))
            return
        if position != self._end or self._end - self._start >= AT_ONCE:
            self.flush()
            self._start = self._end = position
        self._chunks.append(chunk)
        self._end += len(chunk)

    def clear(self, position: int, length: int) -> None:
        """Make a range read as zeroes; where it does already, nothing is written."""
        self._do(position, lambda: splice.clear(self._target, position, length))

    def flush(self) -> None:
        """Write what was collected."""
        if self._chunks:
            collected, start = b"".join(self._chunks), self._start
            self._chunks.clear()
            self._do(start, lambda: splice.write_all_at(self._target, start, collected))
            self._do(start, lambda: self._pace.wrote(len(collected)))

    def finish(self) -> None:
        """Write what was collected, and wait for what is under way."""
        self.flush()
        self._do(self._end, self._pace.settle)

    def _do(self, position: int, work: Callable[[], None]) -> None:
        try:
            work()
        except OSError as error:
            raise TargetFailedError(
                f"cannot write to the target at byte {position}: {error.strerror}",
                hint="the card may be dying: try another one",
            ) from error
