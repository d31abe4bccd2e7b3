"""Images and rehearsals, one at a time: a queue whose state is on the disk.

A thread starts a process for each job and waits for it, so that no page waits, and so that the
process ends with this one: the kernel tells it when the thread that started it has ended
(prctl(2), PR_SET_PDEATHSIG). What was running when the page was killed is found at the next start.
"""

from __future__ import annotations

import fcntl
import logging
import os
import re
import secrets
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from threading import Condition, Event, Thread
from typing import TYPE_CHECKING, Protocol

from msgspec import structs

from holdstill.errors import BusyError, PreflightError, UsageError
from holdstill.model.sizes import human
from holdstill.page import job_folder
from holdstill.page.job_folder import LOG, JobFolder
from holdstill.page.job_records import JobState, JobStatus, Outcome
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.page.job_records import Job, Order
    from holdstill.system.clocks import Clock

WAITING_MOST = 5
"""Jobs that may wait; each may take hours."""
KEEP_DAYS = 7
"""Days for which an ended job is kept, unless its room is needed."""
_ID = re.compile(r"[0-9a-f]{16}")
_CANCELLED = 3.0
"""Seconds for which whoever cancels a job waits for its end."""
_RETRY = 2.0
"""Seconds until a folder that could not be looked at is looked at again."""
_LOOK, _SWEEP, _LEFT_OVER = 0.2, 600.0, 30.0
"""Seconds between two looks at a running job; between two at what is too old; and for which
what a killed page has left may take to end."""
_LOG_SHOWN = 2000
_log = logging.getLogger(__name__)


class RunningJob(Protocol):
    """A process that does a job."""

    @property
    def has_ended(self) -> bool:
        """Whether it has ended by itself."""


class StartJob(Protocol):
    """How a process for a job is started."""

    def __call__(self, folder: Path) -> AbstractContextManager[RunningJob]:
        """Start it; it is ended with the block."""


@dataclass(frozen=True)
class QueueLimits:
    """What ended jobs may take.

    Attributes:
        days: for which they are kept.
        reserve: bytes of the disk that stay free.
    """

    days: int = KEEP_DAYS
    reserve: int = 0


class JobQueue:
    """The jobs of one page. Several threads may ask at once."""

    def __init__(
        self, folder: Path, start: StartJob, clock: Clock, limits: QueueLimits = QueueLimits()
    ) -> None:
        self._folder, self._start, self._clock, self._limits = folder, start, clock, limits
        self._changed, self._stop, self._is_closing = Condition(), Event(), False
        self._running = ""

    def jobs(self) -> tuple[Job, ...]:
        """Return all jobs: those that run or wait in their order, then the newest first."""
        found = [self._seen(job) for each in self._folders() if (job := each.job()) is not None]
        found.sort(key=lambda job: (job.status.ordered_at, job.id))
        open_ = [job for job in found if not job.status.state.has_ended]
        open_.sort(key=lambda job: job.status.state is not JobState.RUNNING)
        ended = [job for job in found if job.status.state.has_ended]
        return (*(replace(job, place=at) for at, job in enumerate(open_)), *reversed(ended))

    def _seen(self, job: Job) -> Job:
        """Return a job; one that is noted as running, and is not, was interrupted."""
        if job.status.state is not JobState.RUNNING or job.id == self._running:
            return job
        return replace(job, status=structs.replace(job.status, state=JobState.INTERRUPTED))

    def job(self, name: str) -> Job:
        """Return one job.

        Raises:
            UsageError: there is none of this name.
        """
        for job in self.jobs() if _ID.fullmatch(name) else ():
            if job.id == name:
                return job
        raise UsageError("there is no such job", hint="it may have been removed for its age")

    def folder(self, name: str) -> JobFolder:
        """Return the folder of a job that is there."""
        return JobFolder(self._folder / self.job(name).id)

    def add(self, order: Order) -> Job:
        """Have something done, after what was ordered before.

        Raises:
            BusyError: too many wait already, or the same is being made.
            PreflightError: there is no room for it.
        """
        with self._changed:
            self._check_new(order)
            made = JobFolder(self._folder / secrets.token_hex(8))
            made.begin(order, JobStatus(state=JobState.WAITING, ordered_at=self._now()))
            self._changed.notify_all()
        return self.job(made.path.name)

    def cancel(self, name: str) -> None:
        """End a job that runs or waits; one that runs is given a moment to have ended."""
        with self._changed:
            folder = self.folder(name)
            if name == self._running:
                self._stop.set()
            elif not self.job(name).status.state.has_ended:
                self._end(folder, JobState.CANCELLED)
        until = self._clock.monotonic() + _CANCELLED
        while name == self._running and self._clock.monotonic() < until:
            self._clock.sleep(_LOOK)

    def again(self, name: str) -> None:
        """Do a job again that has ended.

        Raises:
            BusyError, PreflightError: as `add`.
        """
        with self._changed:
            folder, job = self.folder(name), self.job(name)
            if not job.status.state.has_ended:
                return
            self._check_new(job.order)
            folder.forget()
            folder.set_status(JobStatus(state=JobState.WAITING, ordered_at=self._now()))
            self._changed.notify_all()

    def remove(self, name: str) -> None:
        """Remove a job that has ended, with what came of it."""
        with self._changed:
            folder = self.folder(name)
            if self.job(name).status.state.has_ended:
                folder.remove()

    # The thread ------------------------------------------------------------------------------

    def recover(self) -> None:
        """Find what a page that was killed has left, and put it in order.

        Raises:
            BusyError: what it started still runs.
        """
        for folder in self._folders():
            job = folder.job()
            if job is None:
                folder.remove()
                continue
            # Killed while it was to be done again, it has lost what came of it.
            is_lost = job.status.state in {JobState.DONE, JobState.FAILED} and not job.outcome
            if job.status.state is JobState.RUNNING or is_lost:
                self._wait_for(folder)
                folder.set_status(job_folder.interrupted(job.status, self._now()))
            done = job.outcome.file if job.outcome and job.status.state is JobState.DONE else ""
            folder.tidy(done)

    def work(self) -> None:
        """Do one job after the other, until the queue is closed."""
        while not self._is_closing:
            try:
                next_ = self._next()
            except (OSError, UsageError):  # the folder is not there for now, or the disk is full
                _log.exception("the jobs in %s cannot be looked at", self._folder)
                self._running = ""
                with self._changed:
                    self._changed.wait(_RETRY)
                continue
            if next_ is not None:
                self._carry_out(JobFolder(self._folder / next_.id), next_.order)

    def _next(self) -> Job | None:
        """Note the job that waited longest as running, and return it; else wait for one."""
        with self._changed:
            self._remove_old()
            waiting = [job for job in self.jobs() if job.status.state is JobState.WAITING]
            if not waiting:
                self._changed.wait(_SWEEP)
                return None
            self._stop.clear()
            self._running = waiting[0].id
            status = structs.replace(
                waiting[0].status, state=JobState.RUNNING, began_at=self._now()
            )
            self.folder(waiting[0].id).set_status(status)
            return waiting[0]

    def close(self) -> None:
        """End what runs; it can be started again."""
        with self._changed:
            self._is_closing = True
            self._stop.set()
            self._changed.notify_all()

    def _carry_out(self, folder: JobFolder, order: Order) -> None:
        """Do a job that was noted as running, and note what came of it."""
        try:
            self._make_room(order.room)
            state = self._done(folder)
            self._end(folder, state)
        except Exception as error:  # noqa: BLE001  the thread must live: others wait behind this
            self._end_failed(folder, error)
        finally:
            self._running = ""

    def _end_failed(self, folder: JobFolder, error: Exception) -> None:
        hint = getattr(error, "hint", "")
        try:
            folder.tidy()
            folder.set_outcome(Outcome(problem=str(error) or repr(error), hint=hint))
            self._end(folder, JobState.FAILED)
        except OSError:
            # It is shown as interrupted, which it was; a status of the same size may have room.
            _log.exception("the end of job %s could not be noted", folder.path.name)

    def _done(self, folder: JobFolder) -> JobState:
        with self._start(folder.path) as running:
            while not running.has_ended and not self._stop.wait(_LOOK):
                pass
            was_stopped = not running.has_ended
        outcome = folder.outcome()
        if was_stopped and outcome is None:
            return JobState.INTERRUPTED if self._is_closing else JobState.CANCELLED
        if outcome is None:
            said = (folder.path / LOG).read_bytes()[-_LOG_SHOWN:].decode(errors="replace")
            problem = f"the process that did it ended without a word: {said}"
            folder.set_outcome(Outcome(problem=problem, hint="see `dmesg`, then start it again"))
            return JobState.FAILED
        return JobState.FAILED if outcome.problem else JobState.DONE

    def _end(self, folder: JobFolder, state: JobState) -> None:
        job = folder.job()
        if job is None:
            return
        outcome = folder.outcome()
        folder.tidy(outcome.file if outcome and state is JobState.DONE else "")
        folder.set_status(structs.replace(job.status, state=state, ended_at=self._now()))

    # Room ------------------------------------------------------------------------------------

    def _check_new(self, order: Order) -> None:
        open_ = [job for job in self.jobs() if not job.status.state.has_ended]
        if any(job.order == order for job in open_):
            raise BusyError("the same is being made already", hint="see the list of images")
        if sum(job.status.state is JobState.WAITING for job in open_) >= WAITING_MOST:
            raise BusyError(
                f"{WAITING_MOST} jobs wait already", hint="wait for one to end, or cancel one"
            )
        ended = sum(JobFolder(self._folder / job.id).size() for job in self._removable())
        self._check_room(order.room, self._free() + ended)

    def _make_room(self, needed: int) -> None:
        """Remove ended jobs, the oldest first, until there is room for the next.

        Raises:
            PreflightError: there is none even so.
        """
        with self._changed:
            for job in self._removable():
                if self._free() >= needed:
                    return
                JobFolder(self._folder / job.id).remove()
            self._check_room(needed, self._free())

    def _check_room(self, needed: int, there: int) -> None:
        if there < needed:
            raise PreflightError(
                f"it may take {human(needed)} while it is made, and {self._folder} has room for "
                f"{human(max(0, there))}, beside {human(self._limits.reserve)} that stay free",
                hint="take a smaller size, or give the page a folder on a larger disk",
            )

    def _free(self) -> int:
        state = os.statvfs(self._folder)
        return state.f_bavail * state.f_frsize - self._limits.reserve

    def _removable(self) -> list[Job]:
        return [
            job
            for job in reversed(self.jobs())
            if job.status.state.has_ended and job.id != self._running
        ]

    def _remove_old(self) -> None:
        limit = clocks.rfc3339(self._clock.now() - timedelta(days=self._limits.days))
        for job in self._removable():
            if job.status.ended_at and job.status.ended_at < limit:
                JobFolder(self._folder / job.id).remove()

    def expires(self, job: Job) -> datetime | None:
        """Return when an ended job is removed for its age; None for one that has not ended."""
        if not job.status.ended_at:
            return None
        return datetime.fromisoformat(job.status.ended_at) + timedelta(days=self._limits.days)

    def _folders(self) -> list[JobFolder]:
        names = [each.name for each in self._folder.iterdir() if _ID.fullmatch(each.name)]
        return [JobFolder(self._folder / name) for name in sorted(names)]

    def _wait_for(self, folder: JobFolder) -> None:
        """Wait for the process of a page that was killed, which ends by itself."""
        until = self._clock.monotonic() + _LEFT_OVER
        while True:
            try:
                with folder.locked():
                    return
            except BusyError:
                if self._clock.monotonic() >= until:
                    raise
                self._clock.sleep(_LOOK)

    def _now(self) -> str:
        return clocks.rfc3339(self._clock.now())


@contextmanager
def opened(
    folder: Path, start: StartJob, clock: Clock, limits: QueueLimits = QueueLimits()
) -> Iterator[JobQueue]:
    """Hold the queue of a folder, at work.

    Raises:
        BusyError: another page uses it, or what one that was killed has started still runs.
    """
    queue = JobQueue(folder, start, clock, limits)
    with files.opened(folder, os.O_RDONLY | os.O_DIRECTORY) as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BusyError(
                f"another page makes images in {folder}", hint="give this one a folder of its own"
            ) from error
        queue.recover()
        worker = Thread(target=queue.work, name="jobs", daemon=True)
        worker.start()
        try:
            yield queue
        finally:
            queue.close()
            worker.join(timeout=20)
