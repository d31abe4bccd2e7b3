"""Copy while services run: first what is not written to, then in rounds until little is left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model import attachment_names
from holdstill.model.manifest import Grade
from holdstill.model.paths import display
from holdstill.system import io_priority
from holdstill.system.io_priority import IoPriority
from holdstill.workflow import attachments, capture_areas, capture_stages, precopy
from holdstill.workflow.attachments import Extract
from holdstill.workflow.capture_method import CaptureMethod
from holdstill.workflow.precopy import PendingAmount

if TYPE_CHECKING:
    from holdstill.workflow.capture_areas import WatchedArea
    from holdstill.workflow.capture_run import CaptureRun
    from holdstill.workflow.precopy import PrecopyResult

RATE = 200e6
"""Bytes a second that a pause is assumed to copy before one has been measured."""


@dataclass(frozen=True)
class LiveCopy:
    """What was copied before the pause.

    Attributes:
        run: the run whose contents these are.
        attached: files that go beside the manifest, by name.
        areas: of an eMMC beside its sectors, watched from before the pause.
        is_cross_checked: whether the change detection was compared with a full scan.
    """

    run: CaptureRun
    attached: dict[str, Extract]
    areas: tuple[WatchedArea, ...]
    rounds: PrecopyResult
    is_cross_checked: bool
    warnings: tuple[str, ...]


def copy_live(run: CaptureRun) -> LiveCopy:
    """Copy everything while services run, in rounds, until the pause will be short."""
    areas = capture_areas.watched(run.scope.board, run.settings)
    run.outside.progress.expect(capture_stages.at_first())
    attached = _copy_unwritten(run)
    # From which capture on the keeper may lack contents that the index has. Rows of later
    # captures than the last sealed one are of runs that were cut off. If that capture is not the
    # keeper's last one, too, every content is asked for.
    last = run.state.last
    is_confirmed = bool(last.manifest) and last.manifest == run.started.previous
    run.uploader.requeue_missing(run.index, since=last.seq + 1 if is_confirmed else 0)
    run.followed_uploader.resume(
        run.index, run.trees.mounted, run.started.previous, last.seq if is_confirmed else 0
    )
    is_check_due = run.state.last.unchecked + 1 >= run.settings.full_scan_every
    warnings: list[str] = []

    def hot_round(number: int) -> PendingAmount:
        """Find what changed, hash it, and send what the keeper lacks."""
        run.outside.progress.step(capture_stages.scanning(number))
        before = _hashed(run)
        # The first may read much, and nobody waits for it; the later ones race what is written.
        priority = IoPriority.LOW if number == 1 else IoPriority.NORMAL
        with io_priority.at(priority), run.uploader.flowing(run.index):
            for tree in run.trees.mounted.values():
                with run.uploader.alongside(run.index, tree) as entered:
                    tree.update_live(run.index, seq=run.seq, entered=entered)
            if number == 1 and is_check_due:
                warnings.extend(_cross_check(run))
            run.followed.look()
            pending = precopy.total(
                [
                    *(tree.pending_amount(run.index) for tree in run.trees.mounted.values()),
                    *(PendingAmount(*run.index.pending_totals(n)) for n in run.trees.unmounted),
                ]
            )
            sent = _hashed(run)
            found = PendingAmount(
                pending.files + sent.files - before.files,
                pending.bytes + sent.bytes - before.bytes,
            )
            if number == 1 and not run.started.previous:
                warnings.extend(_told_of_room(run, found))
            run.outside.progress.expect(capture_stages.after_scan(number, pending, found.files))
            run.outside.progress.step(capture_stages.copying(number))
            run.round_progress.begin(pending.bytes)
            _send_pending(run)
        return found

    rounds = precopy.converge(
        hot_round,
        settings=run.settings.pause,
        rate=run.state.copy_rate or RATE,
        room=run.spool.left,
        clock=run.outside.clock,
    )
    return LiveCopy(run, attached, areas, rounds, is_check_due, tuple(warnings))


def _hashed(run: CaptureRun) -> PendingAmount:
    """Return what was hashed so far, and is no longer pending."""
    return PendingAmount(run.uploader.stats.hashed_files, run.uploader.stats.hashed_bytes)


def _send_pending(run: CaptureRun) -> None:
    for tree in run.trees.mounted.values():
        run.followed_uploader.upload_live(run.index, tree)
    for reader in run.trees.unmounted.values():
        run.uploader.upload_pending(run.index, reader)


def _copy_unwritten(run: CaptureRun) -> dict[str, Extract]:
    """Copy what no process writes to: boot gap, raw partitions, unmounted file systems."""
    run.outside.progress.step(capture_stages.UNWRITTEN)
    board, directory = run.scope.board, run.spool.directory
    attached: dict[str, Extract] = {}
    for name, path in attachments.copy_gaps(board, directory).items():
        attached[name] = Extract.whole(path)
    for part in run.scope.parts(CaptureMethod.RAW):
        if run.scope.chosen[part.number].grade is Grade.LIVE:
            copy = attachments.copy_raw(part, board, directory, room=run.spool.left)
            source = Extract.whole(copy)
        else:
            source = attachments.raw_in_place(part, board)
        attached[attachment_names.raw_name(part.number)] = source
    for tree in run.trees.unmounted.values():
        tree.update_live(run.index, seq=run.seq)
    for number in run.index.parts():
        if number not in run.trees.numbers:
            run.index.remove_part(number)
    run.index.commit()
    return attached


def _told_of_room(run: CaptureRun, pending: PendingAmount) -> list[str]:
    """Say when it is known, in the first round, that the keeper may not take it all today."""
    warning = precopy.room_warning(pending, run.hello)
    if not warning:
        return []
    run.outside.progress.warn(warning)
    return [warning]


def _cross_check(run: CaptureRun) -> list[str]:
    """Compare the change detection with a full scan; return warnings of what it has missed."""
    run.outside.progress.step(capture_stages.CROSS_CHECK)
    warnings = []
    for tree in run.trees.mounted.values():
        missed = tree.cross_check(run.index, seq=run.seq)
        if missed:
            shown = ", ".join(display(path) for path in missed[:5])
            warnings.append(
                f"the change detection ({tree.detection}) had missed {len(missed)} changes on "
                f"partition {tree.part}, such as {shown}; everything was read again. Please "
                "report this"
            )
    return warnings
