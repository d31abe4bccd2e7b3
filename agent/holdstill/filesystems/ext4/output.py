"""Writing to the target in large pieces, although contents come in small ones.

Pieces go around the page cache (O_DIRECT) wherever the target allows: that costs the processor
next to nothing, leaves the cache to the store's files, and makes progress accurate, since a
card is slower than memory by far. Another thread writes while the next piece is collected.
"""

from __future__ import annotations

import errno
import mmap
import os
from collections import deque
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.errors import TargetFailedError
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Future, ThreadPoolExecutor
    from pathlib import Path

PIECE, PIECES = 4 << 20, 3
"""Bytes that are written at once, and how many pieces there are: one is filled, two wait."""
ALIGNMENT = 4096
"""What O_DIRECT needs on every disk (open(2), NOTES)."""
BLANK = 64 << 10
"""Bytes from which on a chunk is left out where it is all zeroes and the target is, too."""
SYNC_EVERY = 32 << 20
"""Bytes after which a cache is made to give away what it was given."""


class Writer(Protocol):
    """Writes a piece."""

    def write(self, position: int, piece: memoryview) -> None:
        """Write all of it; raise OSError if the target failed."""


class CachedWriter:
    """Writes through the page cache, and has a device take it from there before long."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._count = 0

    def write(self, position: int, piece: memoryview) -> None:
        """Write all of it; raise OSError if the target failed."""
        sparse_copy.write_all_at(self._target, position, piece)
        self._count += len(piece)
        if self._count >= SYNC_EVERY:
            os.fdatasync(self._target)
            self._count = 0


class DirectWriter:
    """Writes around the page cache whatever is aligned for that."""

    def __init__(self, target: int, otherwise: Writer) -> None:
        self._target = target
        self._otherwise = otherwise

    def write(self, position: int, piece: memoryview) -> None:
        """Write all of it; raise OSError if the target failed."""
        written = 0
        if position % ALIGNMENT == 0 == len(piece) % ALIGNMENT:
            written = self._tried(position, piece)
        if written < len(piece):
            self._otherwise.write(position + written, piece[written:])

    def _tried(self, position: int, piece: memoryview) -> int:
        try:
            return os.pwrite(self._target, piece, position)
        except OSError as error:
            if error.errno != errno.EINVAL:
                raise
            return 0  # a file system that is more particular than others


@contextmanager
def writer(target: int, path: Path) -> Iterator[Writer]:
    """Hold the best way to write to an open target whose path is given, too."""
    cached = CachedWriter(target)
    with files.opened_direct(path, os.O_WRONLY) as direct:
        yield cached if direct is None else DirectWriter(direct, cached)


class _Underway(NamedTuple):
    position: int
    done: Future[None]
    buffer: mmap.mmap


class Output:
    """Bytes on their way to an open target; call finish at the end."""

    def __init__(self, target: int, pieces: Writer, thread: ThreadPoolExecutor) -> None:
        self._target = target
        self._pieces = pieces
        self._thread = thread
        self._free = [mmap.mmap(-1, PIECE) for _ in range(PIECES)]
        self._underway: deque[_Underway] = deque()
        self._buffer = self._free.pop()
        self._start = self._length = 0

    def write(self, position: int, chunk: bytes | memoryview) -> None:
        """Write bytes, now or later."""
        if len(chunk) >= BLANK and sparse_copy.is_blank(chunk):
            self.clear(position, len(chunk))
            return
        while chunk:
            room = self._room(position, len(chunk))
            room[:], chunk = chunk[: len(room)], chunk[len(room) :]
            self._take(len(room))
            position += len(room)

    def fill(self, position: int, length: int, put: Callable[[memoryview], None]) -> None:
        """Write bytes, now or later, that are put where they wait: nothing is copied here.

        Args:
            position: where they go.
            length: how many there are.
            put: puts the next ones into what it is given, which it must fill; called as often as
                needed.
        """
        end = position + length
        while position < end:
            room = self._room(position, end - position)
            put(room)
            if len(room) >= BLANK and sparse_copy.is_blank(room):
                self.clear(position, len(room))
            else:
                self._take(len(room))
            position += len(room)

    def _room(self, position: int, length: int) -> memoryview:
        """Return where bytes that go to a position wait: room for some of them."""
        if position != self._start + self._length:
            self.flush()
            self._start = position
        stop = min(self._length + length, PIECE)
        return memoryview(self._buffer)[self._length : stop]

    def _take(self, length: int) -> None:
        self._length += length
        if self._length == PIECE:
            self.flush()

    def clear(self, position: int, length: int) -> None:
        """Make a range read as zeroes; where it does already, nothing is written."""
        self._do(position, lambda: sparse_copy.clear(self._target, position, length))

    def flush(self) -> None:
        """Have what was collected written."""
        if not self._length:
            return
        piece = memoryview(self._buffer)[: self._length]
        done = self._thread.submit(self._pieces.write, self._start, piece)
        self._underway.append(_Underway(self._start, done, self._buffer))
        self._start += self._length
        self._length = 0
        if not self._free:
            self._wait()
        self._buffer = self._free.pop()

    def finish(self) -> None:
        """Have everything written, and wait for it."""
        self.flush()
        while self._underway:
            self._wait()

    def _wait(self) -> None:
        first = self._underway.popleft()
        self._do(first.position, first.done.result)
        self._free.append(first.buffer)

    def _do(self, position: int, work: Callable[[], None]) -> None:
        try:
            work()
        except OSError as error:
            is_full = error.errno in {errno.ENOSPC, errno.EDQUOT}  # an image's disk, that is
            raise TargetFailedError(
                f"cannot write to the target at byte {position}: {error.strerror}",
                hint="make room on the disk that the image is on (`df` shows it)"
                if is_full
                else "the card may be dying: try another one",
            ) from error
