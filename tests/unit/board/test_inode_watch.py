"""The kernel's events of watched inodes, as bytes."""

import struct

from holdstill.board import inode_watch

IN_IGNORED, IN_Q_OVERFLOW = 0x8000, 0x4000
"""linux/inotify.h; struct inotify_event is of inotify(7)."""


def event(watch: int, mask: int, name: bytes = b"") -> bytes:
    return struct.pack("=iIII", watch, mask, 0, len(name)) + name


def test_each_event_tells_its_watch_whatever_name_follows_it() -> None:
    data = (
        event(3, inode_watch.IN_DELETE_SELF) + event(7, IN_IGNORED, b"a\0\0\0") + event(3, 0x2000)
    )

    assert list(inode_watch.parse_watches(data)) == [3, 7, 3]


def test_dropped_events_are_told_as_of_no_watch() -> None:
    assert list(inode_watch.parse_watches(event(-1, IN_Q_OVERFLOW))) == [-1]
