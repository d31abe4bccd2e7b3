"""What surrounds the frozen span: quiet services, read-only file systems, and what came of it."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

from holdstill.board import hooks, read_only
from holdstill.workflow import holding
from holdstill.workflow.capture_method import CaptureMethod

if TYPE_CHECKING:
    from datetime import datetime

    from holdstill.board.read_only import RemountedFileSystem
    from holdstill.board.service_control import HookRunner
    from holdstill.board.spool import Spool
    from holdstill.board.undo_log import UndoLog
    from holdstill.records.index_file import Index
    from holdstill.system.clocks import Clock
    from holdstill.workflow.capture_scope import CaptureScope, OpenTrees
    from holdstill.workflow.holding import Held


@dataclass
class PauseResult:
    """How the pause went.

    Attributes:
        taken_at, monotonic: the instant, on both clocks.
        window_seconds: with hooks; frozen_seconds: from the first freeze to the last thaw.
        still: partitions that were held still, so that what was taken is of one instant each.
        settled: partitions that could not be, and of which two looks agreed.
        troubles: what needs attention; notes: what is only worth knowing.
    """

    taken_at: datetime
    monotonic: float
    window_seconds: float = 0.0
    frozen_seconds: float = 0.0
    spool_bytes: int = 0
    still: frozenset[int] = frozenset()
    settled: set[int] = field(default_factory=set)
    hooks: tuple[str, ...] = ()
    troubles: list[str] = field(default_factory=list)
    notes: tuple[str, ...] = ()

    @classmethod
    def without_pause(cls, clock: Clock) -> Self:
        """Return the outcome of a capture that holds nothing still."""
        return cls(clock.now(), clock.monotonic())

    @property
    def copy_rate(self) -> float:
        """Bytes a second that the frozen span copied; 0 when that tells nothing."""
        enough = self.spool_bytes > 8 << 20 and self.frozen_seconds > 0
        return self.spool_bytes / self.frozen_seconds if enough else 0.0


def pause(
    seen: CaptureScope,
    followed: OpenTrees,
    index: Index,
    spool: Spool,
    *,
    debts: UndoLog,
    machine: HookRunner,
    clock: Clock,
) -> PauseResult:
    """Hold the board still, and take what changed last into memory.

    Raises:
        PauseError: a required hook failed, or not everything could be frozen; all runs again.
    """
    with ExitStack() as undo:
        quiet = undo.enter_context(hooks.quiet(seen.settings.hooks, machine, clock, debts))
        remounts = {
            part.number: undo.enter_context(read_only.made_read_only(part.mount, machine, debts))
            for part in seen.parts(CaptureMethod.REMOUNTED)
            if part.mount is not None
        }
        still = {number for number, remount in remounts.items() if remount.is_still}
        still |= {
            part.number for part in seen.parts(CaptureMethod.READ_ONLY, CaptureMethod.FROZEN)
        }
        taken_at = clock.now()
        held = holding.hold_still(
            [tree for number, tree in followed.mounted.items() if number in still],
            index,
            spool,
            to_freeze=[
                part.mount for part in seen.parts(CaptureMethod.FROZEN) if part.mount is not None
            ],
            all_mounts=seen.all_mounts,
            ceiling=seen.settings.pause.ceiling,
            clock=clock,
            journal=debts.directory,
        )
    return PauseResult(
        taken_at=taken_at,
        monotonic=held.monotonic,
        window_seconds=quiet.ended - quiet.began,
        frozen_seconds=held.frozen_seconds,
        spool_bytes=spool.used,
        still=frozenset(still - _unfrozen(seen, held)),
        hooks=tuple(quiet.quieted),
        troubles=[*quiet.problems, *_remount_troubles(remounts), *held.troubles],
        notes=held.notes,
    )


def _unfrozen(seen: CaptureScope, held: Held) -> set[int]:
    """Return the partitions that turned out not to be freezable."""
    return {
        part.number
        for part in seen.parts(CaptureMethod.FROZEN)
        if part.mount is not None and part.mount.device in held.unfrozen
    }


def _remount_troubles(remounts: dict[int, RemountedFileSystem]) -> list[str]:
    reasons = [remount.reason for remount in remounts.values() if remount.reason]
    return [*reasons, *(problem for remount in remounts.values() for problem in remount.problems)]
