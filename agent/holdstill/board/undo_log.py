"""What has to be undone if we die: kept in memory (a tmpfs), one small file for each undo.

An undo is recorded before the action and cleared after it was carried out. What is found here
at the end of the service, or by the next run, was not undone. A power cut undoes everything by
itself, and empties the memory, too.
"""

from __future__ import annotations

import fcntl
import os
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import BusyError
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LOCK = "lock"
SUFFIX = ".undo"
"""Of the file of a pending undo."""


@dataclass(frozen=True)
class PendingUndo:
    """One action that must be undone.

    Attributes:
        kind: which part of the pause it belongs to.
        facts: what that part needs for the undo, in its own encoding.
    """

    path: Path
    kind: str
    facts: bytes


class UndoLog:
    """The pending undos of the run that holds the lock."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory

    def record(self, kind: str, facts: bytes) -> PendingUndo:
        """Record an action that must be undone from now on."""
        numbers = [int(path.name.partition("-")[0]) for path in self._paths()]
        path = self.directory / f"{max(numbers, default=0) + 1:06d}-{kind}{SUFFIX}"
        draft = path.with_suffix(".draft")
        with files.opened_for_writing(draft) as handle:
            files.write_all(handle, facts)
        draft.replace(path)
        return PendingUndo(path, kind, facts)

    def _paths(self) -> list[Path]:
        return sorted(self.directory.glob(f"*{SUFFIX}"))

    def clear(self, undo: PendingUndo) -> None:
        """Delete a pending undo; without effect when it is gone already."""
        undo.path.unlink(missing_ok=True)

    def pending(self, kind: str) -> tuple[PendingUndo, ...]:
        """Return the pending undos of one kind, the latest first: the order of undoing."""
        paths = [path for path in self._paths() if path.stem.partition("-")[2] == kind]
        return tuple(PendingUndo(path, kind, path.read_bytes()) for path in reversed(paths))


@contextmanager
def opened(directory: Path) -> Iterator[UndoLog]:
    """Hold the undo log of this machine; only one run at a time can.

    Args:
        directory: on a tmpfs, ours alone; `tmpfs.choose` finds one.

    Raises:
        BusyError: another run is at work.
    """
    flags = os.O_RDONLY | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
    handle = os.open(directory / LOCK, flags, 0o600)
    try:
        try:
            # The kernel releases the lock when this process ends, however it ends.
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BusyError(
                "another run is at work on this board", hint="wait for it to end, then try again"
            ) from error
        yield UndoLog(directory)
    finally:
        os.close(handle)
