"""Finds changes by the change time of every entry, where nothing better is to be had."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.board import ctime_window, open_files
from holdstill.board.ctime_window import CtimeWindow
from holdstill.system import ioctl

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.board.ctime_window import InodeClock

from holdstill.board.change_detection import Changes, EverythingMayHaveChanged


class StatDetector:
    """Lets every file be checked again; for file systems whose inodes we cannot read."""

    name = "restat"

    def __init__(self, root: int, clocks: InodeClock) -> None:
        """Prepare; root is an open directory of the file system."""
        self._root = root
        self._clocks = clocks
        self._why = "there is no earlier look to compare with"
        self._confirmed: CtimeWindow | None = None
        self._doubted: set[int] = set()
        self._under_way: set[int] = set()
        self._looked: ctime_window.ClockReading | None = None

    def start_from(self, data: bytes, *, bound_to: str) -> None:
        """Continue from what an earlier capture remembered, if it is still good."""
        try:
            kept = msgspec.json.decode(data, type=_KeptWindow)
        except msgspec.MsgspecError:
            return
        if kept.bound_to == bound_to:
            self._confirmed = CtimeWindow(kept.low_ns, kept.high_ns)
            self._doubted = set(kept.doubted)

    def changes(self) -> Changes:
        """Sync the file system, and report that everything may have changed."""
        looked = self._clocks.now()
        ioctl.sync_file_system(self._root)
        self._under_way = open_files.written_directly(self._root, looked.wall_ns)
        return self._look(looked)

    def prepare_freeze(self) -> None:
        """Nothing to prepare: every file is checked by stat."""

    def frozen_changes(self) -> Changes:
        """Do the same while the file system is frozen or read-only. Only reads."""
        self._under_way = set()  # they are over
        return self._look(self._clocks.now())

    def _look(self, looked: ctime_window.ClockReading) -> Changes:
        self._looked = looked
        why = "this kind of file system does not report what changed"
        return EverythingMayHaveChanged(
            why if self._confirmed else self._why, self._confirmed, frozenset(self._doubted)
        )

    def confirm(self) -> None:
        """Record that what was last reported has reached the index."""
        if self._looked is not None:
            # Contents read since then may have a ctime from then on, up to now.
            self._confirmed = ctime_window.window(self._looked, self._clocks.now())
        self._doubted = set(self._under_way)

    def doubt(self, inodes: Iterable[int]) -> None:
        """Report these inodes next time whether they changed or not."""
        self._doubted.update(inodes)

    def remember(self, bound_to: str) -> bytes:
        """Return the confirmed scan for the next capture; bound_to names its index."""
        if self._confirmed is None:
            return b""
        low, high = self._confirmed
        kept = _KeptWindow(
            bound_to=bound_to, low_ns=low, high_ns=high, doubted=tuple(sorted(self._doubted))
        )
        return msgspec.json.encode(kept)


class StatDetectorWithoutInodes(StatDetector):
    """Does the same on file systems that keep no ctime, such as FAT.

    The kernel makes ctimes up while a file is in its cache: good enough to compare two looks
    within one capture, and no proof from one capture to the next.
    """

    def start_from(self, data: bytes, *, bound_to: str) -> None:
        """Start again: all contents are read once in every capture."""

    def remember(self, bound_to: str) -> bytes:
        """Remember nothing."""
        del bound_to
        return b""


class _KeptWindow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    bound_to: str
    low_ns: int
    high_ns: int
    doubted: tuple[int, ...]
