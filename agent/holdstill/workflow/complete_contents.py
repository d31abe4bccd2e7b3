"""After the pause: upload the delta, and copy what could not be held still."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import VerificationError
from holdstill.model.paths import display
from holdstill.model.settings import Unreadable
from holdstill.model.sizes import counted
from holdstill.workflow import capture_stages
from holdstill.workflow.capture_method import CaptureMethod

if TYPE_CHECKING:
    from holdstill.workflow.capture_run import CaptureRun
    from holdstill.workflow.pause import PauseResult


@dataclass(frozen=True)
class Completed:
    """Every file has its content at the keeper, or a reason not to.

    Attributes:
        settled: partitions that were not held still, and of which two passes agreed.
    """

    settled: frozenset[int]
    warnings: tuple[str, ...]


def complete(run: CaptureRun, paused: PauseResult) -> Completed:
    """Hash and upload what the pause spooled; settle what could not be held still.

    Raises:
        VerificationError: files are unreadable and the settings refuse that, or kept changing.
    """
    run.outside.progress.step(capture_stages.REST)
    run.round_progress.begin(0)
    settled = set()
    warnings = []
    for number, tree in run.trees.mounted.items():
        if number in paused.still:
            taken = tree.commit_frozen(run.index, seq=run.seq)
            run.followed_uploader.upload_taken(run.index, taken)
            run.uploader.upload_pending(run.index, taken)
            run.uploader.stats.unreadable += [(number, path) for path in tree.unreadable]
        elif _settle(run, number):
            settled.add(number)
        else:
            warnings.append(
                f"partition {number} changed all the time: its parts may be of different moments"
            )
    warnings += _check_readable(run)
    # Check that no file is left without a content.
    for number in run.trees.numbers:
        left = run.index.pending(number, after=(b"", b""), limit=20)
        if left:
            shown = ", ".join(display(entry.path) for entry in left[:5])
            raise VerificationError(
                f"files kept changing while they were read: {shown}",
                hint="nothing was sealed. Quiesce what writes them with a hook, exclude them, "
                "or let the file system be frozen",
            )
    return Completed(frozenset(settled), tuple(warnings))


def _settle(run: CaptureRun, number: int) -> bool:
    """Copy a tree until two passes agree, and return True; else as it is found, and False."""
    tree = run.trees.mounted[number]
    tree.followed.forget_all()
    # More passes over what is known to go on changing are not worth the wait.
    is_live = run.scope.chosen[number].method is CaptureMethod.LIVE
    for _ in range(1 if is_live else run.settings.pause.rounds):
        tree.update_live(run.index, seq=run.seq)
        run.uploader.upload_pending(run.index, tree)
        if not tree.has_changed(run.index):
            return True
    run.followed_uploader.upload_as_found(run.index, tree)
    left = tree.take_live(run.index, run.spool, seq=run.seq)
    run.uploader.upload_pending(run.index, left)
    return False


def _check_readable(run: CaptureRun) -> list[str]:
    """Return a warning of files that the card did not give back, if the settings accept that.

    Raises:
        VerificationError: they do not.
    """
    names = [display(path) for _, path in run.uploader.stats.unreadable]
    if not names:
        return []
    if run.settings.unreadable is Unreadable.REFUSE:
        raise VerificationError(
            f"{counted(len(names), 'file')} cannot be read from the card: {', '.join(names[:5])}",
            hint="nothing was sealed. The card may be dying: set `unreadable: accept` to "
            "capture all else at once, then replace it",
        )
    return [f"{counted(len(names), 'file is', 'files are')} unreadable: {', '.join(names[:5])}"]
