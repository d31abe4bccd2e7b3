"""Files that this machine's rsync cannot look at, because a time of theirs is too late for it.

An rsync with times of 32 bits, such as that of 32-bit Debian 12, leaves out a file with a time
after January 2038 (EOVERFLOW). It is given a copy in memory, some at a time.
"""

from __future__ import annotations

import os
import struct
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING, NamedTuple

from holdstill.system import file_status, files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from contextlib import AbstractContextManager
    from pathlib import Path

TIMES_FIT = struct.calcsize("l") > 4
"""Whether all times fit on this machine, so that nothing has to be looked at."""
MOST = 16 << 20
"""Bytes of copies in memory at a time, and of one more file. Large files are sent in pieces."""


class Group(NamedTuple):
    """Files that are sent together, by their names at the other end.

    Attributes:
        is_late: rsync needs copies of them.
    """

    files: Mapping[str, Path]
    is_late: bool


def grouped(
    wanted: Mapping[str, Path],
    *,
    is_late: Callable[[Path], bool] = file_status.is_late,
    times_fit: bool = TIMES_FIT,
) -> Iterator[Group]:
    """Yield first what rsync can look at, then the others, `MOST` bytes at a time."""
    late = {} if times_fit else {name: path for name, path in wanted.items() if is_late(path)}
    if len(late) < len(wanted):
        seen = {name: path for name, path in wanted.items() if name not in late}
        yield Group(seen, is_late=False)
    taken: dict[str, Path] = {}
    size = 0
    for name, path in late.items():
        taken[name] = path
        size += _size(path)
        if size >= MOST:
            yield Group(taken, is_late=True)
            taken, size = {}, 0
    if taken:
        yield Group(taken, is_late=True)


def _size(path: Path) -> int:
    with suppress(OSError), _opened(path) as handle:
        return file_status.of_handle(handle).st_size
    return 0


def _opened(path: Path) -> AbstractContextManager[int]:
    # Not blocking: a pipe may be in its place by now.
    return files.opened(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)


def copy(path: Path, target: Path) -> None:
    """Copy a file, holes as holes, as far as it can be read: the keeper will tell what is wrong.

    Raises:
        OSError: the copy cannot be written.
    """
    with ExitStack() as held:
        try:
            source = held.enter_context(_opened(path))
        except OSError:
            return
        new = held.enter_context(files.opened_new(target))
        size = file_status.of_handle(source).st_size
        os.ftruncate(new, size)
        with suppress(sparse_copy.SourceError, EOFError):
            sparse_copy.copy(source, new, size=size)
