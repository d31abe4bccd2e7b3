"""Finds changes on a file system by the kernel's events (fanotify(7)).

For file systems whose inode tables we cannot read. A capture starts with a full scan;
from then on only what the kernel reports is read, in the pause above all. What it does
not report is found in other ways:

- stores into shared mappings, and what chattr(1) does. Files that somebody opened since the last
  scan, has mapped, or could map because they are open for writing are checked by their ctime:
  after a sync the next store moves it. When such a file is closed, the kernel does report
  (FAN_CLOSE_WRITE).
- what did not fit the queue: then everything is checked again.

Events are queued before the writer drops its write access, for which a freeze waits: what
was written before the freeze is in the queue after it.
"""

from __future__ import annotations

import os
import select
import struct
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from threading import Lock, Thread
from typing import TYPE_CHECKING, Protocol

from holdstill.board import loop_files, open_files
from holdstill.board.change_detection import ChangedInodes
from holdstill.board.stat_detector import StatDetector
from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.board.change_detection import Changes
    from holdstill.board.ctime_window import InodeClock

# linux/fanotify.h
FAN_MODIFY, FAN_ATTRIB, FAN_CLOSE_WRITE, FAN_OPEN = 0x2, 0x4, 0x8, 0x20
FAN_MOVED_FROM, FAN_MOVED_TO, FAN_CREATE, FAN_DELETE = 0x40, 0x80, 0x100, 0x200
FAN_DELETE_SELF, FAN_MOVE_SELF = 0x400, 0x800
FAN_Q_OVERFLOW, FAN_ONDIR = 0x4000, 0x40000000
FAN_EVENT_INFO_TYPE_FID = 1
NAMES = FAN_MOVED_FROM | FAN_MOVED_TO | FAN_CREATE | FAN_DELETE
"""Events of a name in a directory: the directory has changed as well."""
CHANGES = FAN_MODIFY | FAN_ATTRIB | FAN_CLOSE_WRITE | NAMES | FAN_DELETE_SELF | FAN_MOVE_SELF
HEARD = CHANGES | FAN_OPEN | FAN_ONDIR
_EVENT = struct.Struct("=IBBHQii")
"""struct fanotify_event_metadata."""
_INFO = struct.Struct("=BBH8xIi")
"""struct fanotify_event_info_fid, up to the bytes of its struct file_handle."""
_HANDLES = {
    0x01: "=I", 0x02: "=I",  # FILEID_INO32_GEN, with or without a parent; linux/exportfs.h
    0x81: "=Q", 0x82: "=Q",  # the same with 64 bits; fs/xfs/xfs_export.h
    0x4D: "=Q", 0x4E: "=Q", 0x4F: "=Q",  # FILEID_BTRFS_*; linux/exportfs.h
}  # fmt: skip
"""The struct format of the inode number at the start of a file handle, by handle type."""
READ = 1 << 16
MOST_READS = 2000
"""Buffers that are read in one go: 2.5 million events. Who writes faster than that has won."""


@dataclass
class FanotifyEvents:
    """Decoded fanotify events.

    Attributes:
        changed: inodes that something happened to.
        opened: inodes that were opened; they may have been mapped and stored into, or more.
        is_all: False if something was lost, or could not be understood.
    """

    changed: set[int] = field(default_factory=set)
    opened: set[int] = field(default_factory=set)
    is_all: bool = True


def parse_events(data: bytes, heard: FanotifyEvents, *, own: int = 0) -> None:
    """Decode a buffer of events into `heard`, ignoring the opens of one process."""
    at = 0
    while at + _EVENT.size <= len(data):
        length, _, _, start, mask, _, process = _EVENT.unpack_from(data, at)
        if process == own:
            mask &= ~FAN_OPEN
        if mask & FAN_Q_OVERFLOW:
            heard.is_all = False
        elif mask & ~FAN_ONDIR:
            _understand_one(mask, data[at + start : at + length], heard)
        at += length


def _understand_one(mask: int, records: bytes, heard: FanotifyEvents) -> None:
    inodes = dict(_inodes(records))
    if None in inodes.values() or not inodes:
        heard.is_all = False
        return
    # The directory of a file is reported as well. It changed only if a name in it did, or if the
    # event is its own, and then nothing else is reported.
    own = {n for kind, n in inodes.items() if kind == FAN_EVENT_INFO_TYPE_FID and n}
    found = {n for n in inodes.values() if n} if mask & NAMES or not own else own
    if mask & CHANGES:
        heard.changed |= found
    if mask & FAN_OPEN:
        heard.opened |= found


def _inodes(records: bytes) -> Iterator[tuple[int, int | None]]:
    """Yield the kind and the inode of each record; None for a handle of an unknown type."""
    at = 0
    while at + _INFO.size <= len(records):
        kind, _, length, _, handle_type = _INFO.unpack_from(records, at)
        form = _HANDLES.get(handle_type)
        yield kind, struct.unpack_from(form, records, at + _INFO.size)[0] if form else None
        at += length


class EventSource(Protocol):
    """A queue of events on one file system."""

    def wait_quiet(self) -> None:
        """Stop the reading thread; from now on events are read by `read_events` only."""

    def read_events(self) -> FanotifyEvents:
        """Return what happened since the last time, without waiting."""


class FanotifyQueue:
    """The kernel's queue. A thread empties it, because it holds 16,384 events only."""

    def __init__(self, handle: int, *, own: int) -> None:
        """Prepare; own is the process whose openings are not worth reporting."""
        self._handle = handle
        self._own = own
        self._heard = FanotifyEvents()
        self._lock = Lock()
        self._stop = os.eventfd(0, os.EFD_CLOEXEC)
        self._ears = Thread(target=self._listen, name="events", daemon=True)
        self._ears.start()

    def _listen(self) -> None:
        poll = select.poll()
        poll.register(self._handle, select.POLLIN)
        poll.register(self._stop, select.POLLIN)
        while not any(handle == self._stop for handle, _ in poll.poll()):
            self._empty()

    def _empty(self) -> None:
        with self._lock, suppress(BlockingIOError):
            for _ in range(MOST_READS):
                parse_events(os.read(self._handle, READ), self._heard, own=self._own)
            self._heard.is_all = False

    def wait_quiet(self) -> None:
        """End the thread: there must be none while something is frozen."""
        os.eventfd_write(self._stop, 1)
        self._ears.join()

    def read_events(self) -> FanotifyEvents:
        """Return what happened since the last time, without waiting."""
        self._empty()
        with self._lock:
            found, self._heard = self._heard, FanotifyEvents()
        return found

    def close(self) -> None:
        """Close the fanotify descriptor."""
        self.wait_quiet()
        os.close(self._stop)


@contextmanager
def listening(root: int, *, own: int) -> Iterator[FanotifyQueue]:
    """Receive the events of the file system of an open directory.

    Args:
        root: the directory.
        own: the process whose openings are not worth reporting: it only reads.

    Raises:
        OSError: the kernel has no fanotify, not for this file system, or refuses it to us.
    """
    with ExitStack() as undo:
        handle = libc.fanotify_init()
        undo.callback(os.close, handle)
        libc.fanotify_mark(handle, HEARD, root)
        queue = FanotifyQueue(handle, own=own)
        undo.callback(queue.close)
        yield queue


def may_be_mapped(processes: Path = open_files.PROCESSES) -> set[int]:
    """Return the inodes, of any file system, that some process has mapped shared, or can so map.

    That takes a file that is open for reading and writing (mmap(2)). Descriptors come first: who
    maps a file and closes it meanwhile has the mapping by then. Not to be called while something
    is frozen: a process that waits for the thaw may hold what reading its maps needs.
    """
    found: set[int] = set()
    for process in processes.iterdir():
        if process.name.isdecimal():
            with suppress(OSError):  # it ended, which closes what it had open, or is a thread
                found.update(_open_to_map(process))
            with suppress(OSError):
                found.update(_mapped((process / "maps").read_bytes()))
    return found


def _open_to_map(process: Path) -> Iterator[int]:
    for file in open_files.of_process(process):
        if file.flags & os.O_ACCMODE == os.O_RDWR:
            with suppress(OSError):
                yield file.inode


def _mapped(maps: bytes) -> Iterator[int]:
    """Yield the inodes of shared mappings: address, permissions, offset, device, inode, path."""
    for line in maps.splitlines():
        words = line.split(None, 5)
        if words[1].endswith(b"s") and words[4] != b"0":
            yield int(words[4])


def without_events() -> set[int]:
    """Return the inodes that may change without an event: what is mapped, and loop devices' files.

    A loop device writes by the file's own method, and not by what tells of it
    (Linux drivers/block/loop.c, lo_rw_aio). Not to be called while something is frozen.
    """
    return may_be_mapped() | loop_files.inodes()


class EventDetector(StatDetector):
    """Scans everything once, then finds changes by the kernel's events."""

    name = "fanotify"

    def __init__(
        self,
        root: int,
        clocks: InodeClock,
        events: EventSource,
        *,
        mapped: Callable[[], set[int]] = without_events,
    ) -> None:
        """Prepare; root is an open directory of the file system that the queue is for."""
        super().__init__(root, clocks)
        self._events = events
        self._mapped = mapped
        self._may_be_mapped: set[int] = set()
        self._changed: set[int] = set()
        self._opened: set[int] = set()
        self._is_complete = False

    def prepare_freeze(self) -> None:
        """List what is mapped now; what will be must first be opened, which is an event."""
        self._may_be_mapped |= self._mapped()
        self._events.wait_quiet()

    def changes(self) -> Changes:
        """Sync the file system and return what changed since the confirmed scan."""
        found = super().changes()
        self._may_be_mapped |= self._mapped()
        return self._narrowed(found)

    def frozen_changes(self) -> Changes:
        """Do the same while the file system is frozen or read-only. Only reads."""
        return self._narrowed(super().frozen_changes())

    def _narrowed(self, everything: Changes) -> Changes:
        """Return only what happened, unless that is not known."""
        heard = self._events.read_events()
        self._changed |= heard.changed
        self._opened |= heard.opened
        self._is_complete &= heard.is_all
        if not self._is_complete:
            return everything
        changed = self._changed | self._doubted
        maybe = self._may_be_mapped | self._opened
        return ChangedInodes(
            frozenset(changed | maybe),
            by_ctime=frozenset(maybe - changed),
            recent=self._confirmed,
        )

    def confirm(self) -> None:
        """Record that what was last reported has reached the index."""
        super().confirm()
        self._changed.clear()
        self._opened.clear()
        self._is_complete = True
