"""Tells whether a file that was open once is still that very file, while nobody holds it open.

A file's number may be given to another one once it is deleted, and a file system may be unmounted,
changed elsewhere, and mounted again. The kernel tells of both (inotify(7)), and a watch keeps
neither from happening: nothing is busy, and the space of what is deleted is free.
"""

from __future__ import annotations

import os
import struct
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Iterator

IN_DELETE_SELF = 0x400
"""Of linux/inotify.h. IN_UNMOUNT and IN_IGNORED, after either, come unasked."""
_EVENT = struct.Struct("=iIII")
"""struct inotify_event, up to its name, of which `length` bytes follow."""
_OVERFLOWED = -1
"""The watch of the event that says that events were dropped."""
_READ = 1 << 16


class InodeWatch:
    """Watches of files; `opened` makes one.

    Args:
        queue: of inotify.
    """

    def __init__(self, queue: int) -> None:
        self._queue = queue
        self._gone: set[int] = set()

    def watch(self, handle: int) -> int:
        """Watch an open file; return the watch's number. OSError: no more can be watched."""
        return libc.inotify_add_watch(self._queue, b"/proc/self/fd/%d" % handle, IN_DELETE_SELF)

    def lives(self, watch: int) -> bool:
        """Whether the file was there, on its mounted file system, from `watch` to now."""
        try:
            while data := os.read(self._queue, _READ):
                self._gone.update(parse_watches(data))
        except BlockingIOError:
            pass
        return self._gone.isdisjoint({watch, _OVERFLOWED})


def parse_watches(data: bytes) -> Iterator[int]:
    """Yield the watch of each event: all that are asked for say that a file is gone."""
    at = 0
    while at < len(data):
        watch, _, _, length = _EVENT.unpack_from(data, at)
        yield watch
        at += _EVENT.size + length


@contextmanager
def opened() -> Iterator[InodeWatch]:
    """Watch files for the length of the block. OSError: EMFILE."""
    queue = libc.inotify_init()
    try:
        yield InodeWatch(queue)
    finally:
        os.close(queue)
