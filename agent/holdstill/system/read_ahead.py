"""Files that are opened before their turn, so that the kernel reads them meanwhile.

Of many small files that are read one after the other, each waits for the medium alone; a medium
that is asked for several at a time answers sooner.
"""

from __future__ import annotations

import os
from collections import deque
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable

T = TypeVar("T")

FILES, BYTES = 64, 8 << 20
"""So much is asked for ahead, at most."""
LARGE = 1 << 20
"""From here on a file is left to the kernel's own reading ahead."""


def opened_ahead(
    items: Iterable[T], open_one: Callable[[T], int], size_of: Callable[[T], int]
) -> Generator[tuple[T, int | OSError]]:
    """Yield each item, in order, with its open file, or why it could not be opened.

    The file is closed when the next one is asked for. Close the generator (contextlib.closing): it
    has others open.

    Args:
        items: what has a file.
        open_one: opens the file of an item.
        size_of: returns its bytes, about.
    """
    waiting: deque[tuple[T, int | OSError, int]] = deque()
    ahead = 0
    try:
        for item in items:
            size = size_of(item)
            waiting.append((item, _asked_for(item, open_one, size), size))
            ahead += size
            while waiting and (len(waiting) > FILES or ahead > BYTES):
                ahead -= waiting[0][2]
                yield waiting[0][:2]
                _close(waiting.popleft()[1])
        while waiting:
            yield waiting[0][:2]
            _close(waiting.popleft()[1])
    finally:
        for _, file, _ in waiting:
            _close(file)


def _asked_for(item: T, open_one: Callable[[T], int], size: int) -> int | OSError:
    """Open a file, and have the kernel begin to read it (posix_fadvise(2))."""
    try:
        handle = open_one(item)
    except OSError as error:
        return error
    if 0 < size < LARGE:
        os.posix_fadvise(handle, 0, size, os.POSIX_FADV_WILLNEED)
    return handle


def _close(file: int | OSError) -> None:
    if not isinstance(file, OSError):
        os.close(file)
