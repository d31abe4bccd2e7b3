"""A job of the keeper's page, in a process of its own: an image made, or a capture rehearsed."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from msgspec import structs

from holdstill.errors import HoldstillError, UsageError
from holdstill.keeper import capture_notes
from holdstill.page import job_folder
from holdstill.page.job_records import JobKind, JobProgress, Outcome
from holdstill.rehearse import rehearsal
from holdstill.system import files
from holdstill.workflow import capture_ref, explain, rehearse_capture
from holdstill.workflow.rebuild import RebuildOptions, rebuild
from holdstill.workflow.rebuild_dependencies import RebuildDependencies
from holdstill.workflow.rebuild_goal import ImageGoal

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.model.estimate import Stage
    from holdstill.page.job_folder import JobFolder
    from holdstill.page.job_records import Order
    from holdstill.rehearse.rehearsal import EmulatorRunner, Rehearsal
    from holdstill.system.clocks import Clock
    from holdstill.workflow.rebuild import RebuildReport

_EVERY = 0.5
"""Seconds between two notes of the progress of a step."""


def do(store: Store, folder: JobFolder, machine: EmulatorRunner, clock: Clock) -> None:
    """Do a job, and note its outcome in its folder.

    Raises:
        BusyError: another process does it.
        UsageError: there is no such job.
        OSError: the outcome cannot be noted.
    """
    with folder.locked():
        order = folder.order()
        if order is None:
            raise UsageError(f"{folder.path} is no job")
        progress = NotedProgress(folder, clock)
        try:
            reference = f"{order.board}/{order.capture}"
            stored = capture_ref.trusted(capture_ref.find(store, reference, runner=machine))
            work = _rehearsed if order.kind is JobKind.REHEARSAL else _made
            outcome = work(store, stored, order, folder.path, progress, machine)
        except Exception as error:
            known = explain.explained(error)
            folder.tidy()  # or a full disk would have no room for the outcome
            if known is None:
                folder.set_outcome(Outcome(problem=f"a fault of holdstill itself: {error!r}"))
                raise
            folder.set_outcome(Outcome(problem=str(known), hint=known.hint))
            return
        folder.set_outcome(outcome)


def disk_of(text: str) -> int | Literal["all"] | None:
    """Return which disk a page means: a number, `all`, or None for ""."""
    return "all" if text == "all" else int(text) if text else None


@dataclass
class NotedProgress:
    """Progress, noted in a job's folder for the page to show."""

    folder: JobFolder
    clock: Clock
    state: JobProgress = field(default_factory=JobProgress)
    noted: float = 0.0

    def expect(self, stages: Sequence[Stage]) -> None:
        """Take the number of steps from what is still to come; one more hashes an image."""
        self.state = structs.replace(self.state, steps=self.state.number + len(stages) + 1)

    def step(self, what: str) -> None:
        """Begin a step of the work."""
        number = self.state.number + 1
        self._note(structs.replace(self.state, step=what, number=number, done=0, total=0))

    def update(self, done: int, total: int) -> None:
        """Update the step's progress, in bytes, now and then."""
        if self.clock.monotonic() >= self.noted + _EVERY:
            self._note(structs.replace(self.state, done=done, total=max(done, total)))

    def warn(self, text: str) -> None:
        """Note a warning."""
        self._note(structs.replace(self.state, notes=(*self.state.notes, text)))

    @contextmanager
    def muted(self) -> Iterator[None]:
        """Print nothing for the length of the block: here nothing is printed ever."""
        yield

    def _note(self, state: JobProgress) -> None:
        self.state, self.noted = state, self.clock.monotonic()
        self.folder.set_progress(state)


def _made(
    store: Store,
    stored: StoredCapture,
    order: Order,
    folder: Path,
    progress: NotedProgress,
    machine: EmulatorRunner,
) -> Outcome:
    """Make an image, and hash what came of it."""
    del store
    path = folder / order.file_name
    report = rebuild(
        stored,
        ImageGoal(path, wanted=order.size),
        RebuildOptions(disk=disk_of(order.disk), sibling=order.sibling),
        RebuildDependencies(machine, progress.clock, progress),
    )
    progress.step("take its SHA-256")
    return Outcome(
        file=path.name,
        bytes=path.stat().st_size,
        sha256=files.hash_file(path).hex(),
        headline=_made_words(report),
        remarks=(
            *(f"it cannot boot: {lack}" for lack in report.boot_trouble),
            *(finding.sentence for finding in report.findings),
            *report.changes,
            *report.notes,
        ),
        is_good=report.is_whole,
    )


def _made_words(report: RebuildReport) -> str:
    read = f"{report.checked_entries:,} entries were read back by other code, as captured"
    if report.is_whole:
        return f"It is complete, and should boot; {read}."
    if not report.bootable:
        return f"It is written, but may not boot as it is; {read}."
    return f"It is written, but lacks something of the board; {read}."


def _rehearsed(
    store: Store,
    stored: StoredCapture,
    order: Order,
    folder: Path,
    progress: NotedProgress,
    machine: EmulatorRunner,
) -> Outcome:
    """Boot a scratch image of the capture; that it booted is noted where the store allows it."""
    del order
    found = rehearse_capture.boot(
        stored, machine=machine, clock=progress.clock, progress=progress,
        scratch=folder / job_folder.WORK, log=folder / job_folder.CONSOLE,
        picture=folder / job_folder.SCREEN, deadline=rehearsal.DEADLINE,
    )  # fmt: skip
    remarks = _remarks(found)
    if found.booted:
        try:
            capture_notes.booted(store, stored.board, str(stored.name), clock=progress.clock)
        except (HoldstillError, OSError) as error:
            remarks = (f"the board's ledger could not be told that it booted: {error}", *remarks)
    return Outcome(headline=_boot_words(found), remarks=remarks, is_good=found.booted)


def _boot_words(found: Rehearsal) -> str:
    if found.booted:
        return f"It booted: {found.way}, {found.seconds:.0f} s."
    return f"It did NOT boot: {found.way}, given up after {found.seconds:.0f} s."


def _remarks(found: Rehearsal) -> tuple[str, ...]:
    broken = (f"what broke: {found.broken}",) if found.broken else ()
    return (*broken, *found.remarks, *(f"not proven: {text}" for text in found.unproven))
