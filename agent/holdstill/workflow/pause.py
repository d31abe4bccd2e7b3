"""The pause: quiesce services, freeze every file system, take what changed into memory, thaw.

Between freezing and thawing only `PausedTree.collect_frozen` runs: it reads, and copies to memory.
Everything that could write, log, start a program or wait for the network is before or after.
"""

from __future__ import annotations

import os
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from holdstill.board import freeze, freeze_order, guard, hooks, layout, mounts, read_only
from holdstill.errors import PauseError
from holdstill.model.paths import BoardPath
from holdstill.model.settings import OverBudget
from holdstill.system import io_priority
from holdstill.system.io_priority import IoPriority
from holdstill.workflow import capture_stages, last_look
from holdstill.workflow.capture_method import FREEZABLE, CaptureMethod

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime
    from pathlib import Path

    from holdstill.board.followed_files import FollowedFiles
    from holdstill.board.mounts import Mount
    from holdstill.board.read_only import RemountedFileSystem
    from holdstill.board.service_control import HookRunner
    from holdstill.board.spool import Spool
    from holdstill.board.undo_log import UndoLog
    from holdstill.records.index_queries import Index
    from holdstill.system.clocks import Clock
    from holdstill.workflow.capture_run import CaptureRun
    from holdstill.workflow.capture_scope import CaptureScope, OpenTrees
    from holdstill.workflow.copy_live import LiveCopy
    from holdstill.workflow.ports import PausedTree, TracedFiles


@dataclass(frozen=True)
class PauseResult:
    """How the pause went.

    Attributes:
        taken_at, monotonic: the instant, on both clocks.
        window_seconds: with hooks; frozen_seconds: from the first freeze to the last thaw.
        still: partitions that were held still, so that what was taken is of one instant each.
        troubles: what needs attention; notes: what is only worth knowing.
    """

    taken_at: datetime
    monotonic: float
    window_seconds: float = 0.0
    frozen_seconds: float = 0.0
    spool_bytes: int = 0
    still: frozenset[int] = frozenset()
    hooks: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @classmethod
    def without_pause(cls, clock: Clock, why: str) -> Self:
        """Return the result for a capture that holds nothing still."""
        return cls(clock.now(), clock.monotonic(), troubles=(why,))


def hold_still(copied: LiveCopy) -> PauseResult:
    """Hold the board still and spool the delta; or do without, if the settings allow that.

    It takes the live copy, since only what changed after that fits into a pause.

    Raises:
        PauseError: it could not be held still, and by the settings the run is abandoned then.
    """
    run = copied.run
    outside = run.outside
    outside.progress.step(capture_stages.HOLDING)
    try:
        last_look.check_budget(run)
        run.index.commit()  # during the pause nothing may be written, not even by SQLite
        # Whatever the service's own is: all wait for us now.
        served = io_priority.at(IoPriority.NORMAL)
        with outside.progress.muted(), _rate_noted(run), served:
            return pause(
                run.scope, run.trees, run.followed, run.index, run.spool,
                log=run.undo_log, runner=outside.runner, clock=outside.clock,
            )  # fmt: skip
    except PauseError as error:
        if run.settings.pause.over_budget is not OverBudget.LOWER_GRADE:
            raise
        run.spool.clear()  # what it took is of no instant, and takes the room
        return PauseResult.without_pause(outside.clock, f"the board was not held still: {error}")


@contextmanager
def _rate_noted(run: CaptureRun) -> Iterator[None]:
    """Remember how fast the pause copied, also when it failed: the next one is judged by it."""
    try:
        yield
    finally:
        if run.spool.rate:
            run.state.save_copy_rate(run.spool.rate)


@dataclass(frozen=True)
class FrozenSpanResult:
    """How the frozen span went.

    Attributes:
        frozen_seconds: from the first freeze to the last thaw; 0 when nothing was frozen.
        monotonic: moment inside the frozen span, on the monotonic clock.
        unfrozen: devices that turned out not to be freezable.
        troubles: what went wrong without breaking the instant.
        notes: what the kernel did not grant the guard; it worked all the same.
    """

    frozen_seconds: float
    monotonic: float
    unfrozen: frozenset[tuple[int, int]] = frozenset()
    troubles: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def pause(
    scope: CaptureScope,
    trees: OpenTrees,
    followed: FollowedFiles,
    index: Index,
    spool: Spool,
    *,
    log: UndoLog,
    runner: HookRunner,
    clock: Clock,
) -> PauseResult:
    """Hold the board still, and take what changed last into memory.

    Raises:
        PauseError: a required hook failed, or not everything could be frozen; all runs again.
    """
    with ExitStack() as undo:
        quiet = undo.enter_context(hooks.quiet(scope.settings.hooks, runner, clock, log))
        # Only now: what is in files may be mounted by services that are quiet from here on.
        mounted = mounts.read_mounts()
        frozen = [_mount_now(scope, mount, mounted) for mount in scope.frozen()]
        remounts = {
            part.number: undo.enter_context(read_only.made_read_only(part.mount, runner, log))
            for part in scope.parts(CaptureMethod.REMOUNTED)
            if part.mount is not None
        }
        woken = _writable_now(scope)
        stacked = scope.stacked(mounted, also=woken.values())
        still = {number for number, remount in remounts.items() if remount.is_still}
        still |= {
            part.number
            for part in scope.parts(
                CaptureMethod.READ_ONLY, CaptureMethod.FROZEN, CaptureMethod.PRIVATE
            )
        }
        taken_at = clock.now()
        held = _freeze_and_collect(
            [tree for number, tree in trees.mounted.items() if number in still],
            followed,
            index,
            spool,
            to_freeze=[
                *frozen,
                *(mount for mount in woken.values() if mount.type in FREEZABLE),
                *(one for one in stacked if one.type in FREEZABLE),
            ],
            all_mounts=mounted,
            ceiling=scope.settings.pause.ceiling,
            clock=clock,
            memory=log.directory,
        )
    late = _writable_now(scope).keys() - woken.keys()
    not_held = late | {n for n, mount in woken.items() if mount.type not in FREEZABLE}
    return PauseResult(
        taken_at=taken_at,
        monotonic=held.monotonic,
        window_seconds=quiet.ended - quiet.began,
        frozen_seconds=held.frozen_seconds,
        spool_bytes=spool.copied_timed,
        still=frozenset(still - _unfrozen(scope, held) - not_held),
        hooks=tuple(quiet.quieted),
        troubles=(
            *quiet.problems,
            *_remount_troubles(remounts),
            *held.troubles,
            *(
                f"partition {number} was read-only when the capture began, and was made writable "
                "meanwhile: it was not held still"
                for number in sorted(not_held)
            ),
        ),
        notes=(*held.notes, *freeze_order.not_held(stacked, FREEZABLE)),
    )


def _mount_now(scope: CaptureScope, mount: Mount, mounted: Sequence[Mount]) -> Mount:
    """Return a mount, or another of the same file system where a quiet service took it away."""
    if mount.is_covered or any(one.id == mount.id for one in mounted):
        return mount
    others = [one for one in mounted if one.device == mount.device and not one.is_read_only]
    root = BoardPath(os.fsencode(scope.settings.root))
    return next(iter(layout.best_first(others, root)), mount)


def _writable_now(scope: CaptureScope) -> dict[int, Mount]:
    """Return the mounts, by partition, of what was read-only at first and is so no more."""
    writable = [mount for mount in mounts.read_mounts() if not mount.is_read_only]
    root = BoardPath(os.fsencode(scope.settings.root))
    found = {}
    for part in scope.parts(CaptureMethod.READ_ONLY):
        own = [one for one in writable if part.mount and one.device == part.mount.device]
        if own:
            found[part.number] = layout.best_first(own, root)[0]
    return found


def _unfrozen(scope: CaptureScope, held: FrozenSpanResult) -> set[int]:
    """Return the partitions that turned out not to be freezable."""
    return {
        part.number
        for part in scope.parts(CaptureMethod.FROZEN, CaptureMethod.READ_ONLY)
        if part.mount is not None and part.mount.device in held.unfrozen
    }


def _remount_troubles(remounts: dict[int, RemountedFileSystem]) -> list[str]:
    reasons = [remount.reason for remount in remounts.values() if remount.reason]
    return [*reasons, *(problem for remount in remounts.values() for problem in remount.problems)]


def _freeze_and_collect(
    trees: Sequence[PausedTree],
    followed: TracedFiles,
    index: Index,
    spool: Spool,
    *,
    to_freeze: Sequence[Mount],
    all_mounts: Sequence[Mount],
    ceiling: float,
    clock: Clock,
    memory: Path,
) -> FrozenSpanResult:
    """Freeze, let every tree take what changed, thaw.

    Args:
        trees: all trees, of frozen file systems and others.
        followed: is asked what was written, just before the freeze and first of all in it.
        index: read only in the pause; nothing may be uncommitted.
        spool: receives contents.
        to_freeze: mounts of the file systems to be frozen; may be empty.
        all_mounts: everything mounted.
        ceiling: seconds after which the guard thaws.
        clock: measures.
        memory: tmpfs directory that records for a later run what was frozen.

    Raises:
        PauseError: not everything could be frozen, or the instant was broken; everything runs.
    """
    if to_freeze:
        # Before anything is prepared, which is to be followed by the freeze at once.
        _stage(trees, followed, index, spool, clock, seconds=ceiling)
    for tree in trees:
        tree.prepare_freeze()
    if not to_freeze:
        moment = clock.monotonic()
        _collect(trees, index, spool, clock)
        return FrozenSpanResult(0.0, moment)
    with (
        freeze.hold_mounts(to_freeze, all_mounts=all_mounts) as held,
        guard.armed(held, seconds=ceiling, clock=clock, marks_in=memory) as watcher,
        ExitStack() as after,
    ):
        with freeze.frozen(watcher) as window:
            # Only now: a freeze can write more than the trace holds when nobody drains it.
            after.enter_context(followed.alone())
            followed.look_frozen()
            _collect(trees, index, spool, clock)
        shortcomings = watcher.shortcomings
    return FrozenSpanResult(
        window.seconds,
        window.began,
        frozenset(mount.mount.device for mount in window.unfreezable),
        tuple(window.troubles),
        shortcomings,
    )


def _stage(
    trees: Sequence[PausedTree], followed: TracedFiles, index: Index, spool: Spool, clock: Clock,
    *, seconds: float,
) -> None:  # fmt: skip
    """Copy to memory what is known to have changed, so that the pause has little to copy.

    Services may be quiet already: it takes no longer than the pause itself may.
    """
    end = clock.monotonic() + seconds
    followed.look()
    for tree in trees:
        tree.stage(index, spool, lambda: clock.monotonic() > end)


def _collect(trees: Sequence[PausedTree], index: Index, spool: Spool, clock: Clock) -> None:
    with spool.timed(clock):
        for tree in trees:
            tree.collect_frozen(index, spool)
