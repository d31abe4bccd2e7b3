"""A job's folder: what was ordered, how far it is, what came of it, and the files of that.

The page writes what was ordered and the state; the process that does the job writes its progress
and its outcome, and holds the folder locked as long as it lives.
"""

from __future__ import annotations

import fcntl
import os
import shutil
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import msgspec

from holdstill.errors import BusyError
from holdstill.page.job_records import Job, JobProgress, JobState, JobStatus, Order, Outcome
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ORDER, STATUS, PROGRESS, OUTCOME = "order.json", "status.json", "progress.json", "outcome.json"
LOG, CONSOLE, SCREEN = "log", "console", "screen.png"
WORK = "work"
"""Folder for a rehearsal's scratch images."""
_DOCUMENTS = frozenset({ORDER, STATUS, PROGRESS, OUTCOME, LOG, CONSOLE, SCREEN})
T = TypeVar("T")


@dataclass(frozen=True)
class JobFolder:
    """The folder of one job; its name is the job's."""

    path: Path

    def begin(self, order: Order, status: JobStatus) -> None:
        """Make the folder, and write what was ordered.

        Raises:
            OSError: it cannot be made.
        """
        self.path.mkdir(mode=0o700)
        self._write(ORDER, order)
        self.set_status(status)

    def set_status(self, status: JobStatus) -> None:
        """Write the state."""
        self._write(STATUS, status)

    def set_progress(self, progress: JobProgress) -> None:
        """Write the progress; a power cut may lose it."""
        draft = self.path / f".{PROGRESS}.draft"
        draft.write_bytes(msgspec.json.encode(progress))
        draft.replace(self.path / PROGRESS)

    def set_outcome(self, outcome: Outcome) -> None:
        """Write the outcome."""
        self._write(OUTCOME, outcome)

    def job(self) -> Job | None:
        """Return the job; None where there is none that could be read."""
        order, status = self._read(ORDER, Order), self._read(STATUS, JobStatus)
        if order is None or status is None:
            return None
        progress = self._read(PROGRESS, JobProgress) or JobProgress()
        outcome = self._read(OUTCOME, Outcome) if status.state.has_ended else None
        return Job(self.path.name, order, status, progress, outcome)

    def order(self) -> Order | None:
        """Return what was ordered; None where that cannot be read."""
        return self._read(ORDER, Order)

    def outcome(self) -> Outcome | None:
        """Return what came of it; None while there is nothing."""
        return self._read(OUTCOME, Outcome)

    def tidy(self, kept: str = "") -> None:
        """Remove everything but the documents, and what came of it."""
        for found in self.path.iterdir():
            if found.name not in _DOCUMENTS | {kept}:
                _remove(found)

    def forget(self) -> None:
        """Remove what came of it before, so that it can be done again."""
        for name in (PROGRESS, OUTCOME, CONSOLE, SCREEN):
            (self.path / name).unlink(missing_ok=True)
        self.tidy()

    def remove(self) -> None:
        """Remove all of it; the state first, without which it is no job."""
        (self.path / STATUS).unlink(missing_ok=True)
        shutil.rmtree(self.path, ignore_errors=True)

    def size(self) -> int:
        """Return the bytes that its files take on the disk."""
        with suppress(OSError):  # it may go meanwhile
            return sum(each.lstat().st_blocks * 512 for each in self.path.iterdir())
        return 0

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the folder as the process that does the job.

        Raises:
            BusyError: another one does.
        """
        with files.opened(self.path, os.O_RDONLY | os.O_DIRECTORY) as handle:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise BusyError(
                    f"another process still does the job {self.path.name}",
                    hint="it ends by itself when its page has ended; then try again",
                ) from error
            yield

    def _write(self, name: str, document: Order | JobStatus | Outcome) -> None:
        files.publish(self.path / name, msgspec.json.encode(document))

    def _read(self, name: str, kind: type[T]) -> T | None:
        with suppress(OSError, msgspec.DecodeError):
            return msgspec.json.decode(files.read_regular(self.path / name), type=kind)
        return None


def interrupted(status: JobStatus, now: str) -> JobStatus:
    """Return the state of a job whose page has ended."""
    return msgspec.structs.replace(status, state=JobState.INTERRUPTED, ended_at=now)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)
