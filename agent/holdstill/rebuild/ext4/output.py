"""Writing to the target in large pieces, although contents come in small ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import TargetFailedError
from holdstill.rebuild import splice

if TYPE_CHECKING:
    from collections.abc import Callable

AT_ONCE = 1 << 20
"""Bytes that are collected before they are written."""
DIRECT = 256 << 10
"""Bytes from which on a chunk is written by itself, and left out where it is all zeroes."""


class Output:
    """Bytes on their way to an open target; call flush at the end."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._chunks: list[bytes | memoryview] = []
        self._start = self._end = 0

    def write(self, position: int, chunk: bytes | memoryview) -> None:
        """Write bytes, now or later."""
        if len(chunk) >= DIRECT:
            self._do(position, lambda: splice.put(self._target, position, chunk))
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

    def _do(self, position: int, work: Callable[[], None]) -> None:
        try:
            work()
        except OSError as error:
            raise TargetFailedError(
                f"cannot write to the target at byte {position}: {error.strerror}",
                hint="the card may be dying: try another one",
            ) from error
