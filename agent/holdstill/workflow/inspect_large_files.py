"""How large files are followed on a board, and what a pause would cost now. For `inspect`.

What a pause has to copy is what is written between the last reading and the freeze, and what is
shared of a file that changed (`changed_pieces`, rule e). So it is watched for a moment: the files
of the last capture are taken to be read at its beginning, and what is dirty at its end is what a
pause then would take of them. Nothing is read but maps.
"""

from __future__ import annotations

import os
from contextlib import ExitStack, suppress
from typing import TYPE_CHECKING

from holdstill.board import followed_files
from holdstill.board.followed_files import How
from holdstill.errors import HoldstillError
from holdstill.model import pieces
from holdstill.model.layout import Record
from holdstill.model.paths import display
from holdstill.records import index_file
from holdstill.system import file_status
from holdstill.workflow import board_state, capture_scope, precopy
from holdstill.workflow.capture_method import CaptureMethod
from holdstill.workflow.copy_live import RATE
from holdstill.workflow.precopy import PendingAmount

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from holdstill.board.followed_files import FollowedFiles, FollowedPart
    from holdstill.board.scan import Scanner
    from holdstill.model.entries import Entry
    from holdstill.system.clocks import Clock
    from holdstill.workflow.capture_scope import CaptureScope

WATCHED = 1.0
"""Seconds: rather more than what lies between the last reading and the freeze."""


class LargeFile(Record, frozen=True, kw_only=True):
    """A large file of the last capture.

    Attributes:
        how: the pause finds what changed in it.
        pause_bytes: that a pause would copy of it now.
    """

    path: str
    size: int
    how: How
    pause_bytes: int


class LargeFiles(Record, frozen=True, kw_only=True):
    """The large files of a partition, or subvolume, that can be frozen.

    Attributes:
        label: what people call it.
        how, why: the pause finds what changed in them; see the manifest's `large_files`.
        files: as the last capture has them; none before the first.
    """

    part: int
    label: str
    how: How
    why: str
    files: tuple[LargeFile, ...]


class PauseNow(Record, frozen=True, kw_only=True):
    """What a pause would cost now, for large files.

    Attributes:
        bytes: that it would copy of them.
        seconds: that it would take, freezing and thawing included.
        parts: by partition.
    """

    bytes: int = 0
    seconds: float = 0.0
    parts: tuple[LargeFiles, ...] = ()


def watch(scope: CaptureScope, clock: Clock, *, seconds: float = WATCHED) -> PauseNow:
    """Watch the large files for some seconds, if there are any."""
    frozen = {
        part.number: part.mount
        for part in scope.parts(CaptureMethod.FROZEN)
        if part.mount is not None
    }
    known = _known(scope, frozen)
    directory = scope.settings.state
    with ExitStack() as undo:
        followed = undo.enter_context(followed_files.opened(frozen, directory, clock))
        scanners = undo.enter_context(capture_scope.open_scanners(scope)) if known else {}
        watched = [
            _WatchedFile(entry, handle, number, followed.parts[number])
            for number, entries in known.items()
            for entry, handle in _opened(undo, scanners[number], entries)
        ]
        if watched:
            clock.sleep(seconds)
            followed.look()
        found = [(file.part, file.told()) for file in watched]
        parts = tuple(
            _of_part(number, scope.board.part(number).label, followed, found) for number in frozen
        )
    size = sum(file.pause_bytes for _, file in found)
    amount = PendingAmount(sum(file.pause_bytes > 0 for _, file in found), size)
    rate = 0.0
    with suppress(OSError):
        rate = board_state.BoardState(directory).copy_rate
    took = precopy.predict(amount, rate or RATE)
    return PauseNow(bytes=size, seconds=round(took, 3), parts=parts)


def _of_part(
    number: int, label: str, followed: FollowedFiles, found: Sequence[tuple[int, LargeFile]]
) -> LargeFiles:
    way = followed.parts[number].way
    files = tuple(file for part, file in found if part == number)
    return LargeFiles(part=number, label=label, how=way.how, why=way.why, files=files)


def _known(scope: CaptureScope, wanted: Mapping[int, object]) -> dict[int, list[Entry]]:
    """Return the large files of the last capture; none if it is not known, or being written."""
    path = scope.settings.state / board_state.INDEX
    try:
        with index_file.opened(path) as index:
            found = {number: index.large(number, pieces.PIECED_FROM) for number in wanted}
    except (OSError, HoldstillError):
        return {}
    return {number: entries for number, entries in found.items() if entries}


def _opened(
    undo: ExitStack, scanner: Scanner, entries: Sequence[Entry]
) -> list[tuple[Entry, int]]:
    found, met = [], set[int]()
    for entry in entries:
        if entry.seen.inode in met:
            continue  # another name of it
        with suppress(OSError):  # it is gone
            handle = scanner.open(entry)
            undo.callback(os.close, handle)
            found.append((entry, handle))
            met.add(entry.seen.inode)
    return found


class _WatchedFile:
    """A file from the beginning of the watch to its end."""

    def __init__(self, entry: Entry, handle: int, number: int, part: FollowedPart) -> None:
        self._entry, self._handle = entry, handle
        self.part, self._followed = number, part
        self._is_followed = part.follow_as_read(handle)
        self._before = file_status.of_handle(handle)

    def told(self) -> LargeFile:
        """Tell what a pause would take of it: nothing if it did not change."""
        now, dirty = file_status.of_handle(self._handle), 0
        if now.st_ctime_ns != self._before.st_ctime_ns:
            told = self._followed.dirty_bytes(now.st_ino) if self._is_followed else None
            dirty = now.st_size if told is None else told
        return LargeFile(
            path=display(self._entry.path),
            size=now.st_size,
            how=self._followed.way.how if self._is_followed else How.WHOLE,
            pause_bytes=min(dirty, now.st_size),
        )
