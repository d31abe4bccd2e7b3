"""Thawing of several file systems, of which some may not answer.

A call on a file system whose freeze is still on its way waits for that to end (the kernel's
super_lock, Linux fs/super.c). Where the freeze waits for another one that is frozen already, only
the thaw of that other one lets all of them go on. So each is thawed by a thread of its own, that
is there before anything is frozen.
"""

from __future__ import annotations

import errno
import queue
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterable

WAIT = 0.25
"""Seconds for one thaw, before the next file system gets its turn: a usual one writes a
superblock, and takes some milliseconds."""
_STACK = 256 << 10
"""Bytes; all of a guard's memory is locked."""


class Thawer(Protocol):
    """What thaws."""

    def thaw(self, mount: int) -> None:
        """Thaw the file system of an open directory; OSError EINVAL if it is not frozen."""


@dataclass
class _Worker:
    """A thread that thaws one file system whenever it is asked to."""

    mount: int
    thawer: Thawer
    asked: queue.SimpleQueue[None] = field(default_factory=queue.SimpleQueue)
    told: queue.SimpleQueue[OSError | None] = field(default_factory=queue.SimpleQueue)
    is_busy: bool = False

    def run(self) -> None:
        while True:
            self.asked.get()
            try:
                self.thawer.thaw(self.mount)
                self.told.put(None)
            except OSError as error:
                self.told.put(error)


class PatientThawer:
    """Thaws, and goes on where one file system does not answer."""

    def __init__(self, mounts: Iterable[int], thawer: Thawer, *, wait: float = WAIT) -> None:
        """Start the threads.

        Args:
            mounts: open directories, one of each file system.
            thawer: what thaws, and may never return.
            wait: seconds for each call.
        """
        self._wait = wait
        self._workers = {mount: _Worker(mount, thawer) for mount in mounts}
        before = threading.stack_size(_STACK)
        try:
            for worker in self._workers.values():
                threading.Thread(target=worker.run, daemon=True).start()
        finally:
            threading.stack_size(before)

    def thaw(self, mount: int) -> None:
        """Thaw the file system of an open directory.

        Raises:
            OSError: EINVAL: it is not frozen; ETIMEDOUT: it does not answer yet, and is asked no
                second time before it does.
        """
        worker = self._workers[mount]
        if not worker.is_busy:
            worker.is_busy = True
            worker.asked.put(None)
        try:
            failure = worker.told.get(timeout=self._wait)
        except queue.Empty:
            raise OSError(errno.ETIMEDOUT, "no answer to a thaw") from None
        worker.is_busy = False
        if failure is not None:
            raise failure
