"""The look that a pause is judged by: one that cannot copy what has changed is not begun.

What can be staged just before it (`pause`) counts as well, so that the judgement is a careful one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.workflow import pause_budget
from holdstill.workflow.capture_method import CaptureMethod
from holdstill.workflow.pause_budget import OverBudgetError, PauseLoad

if TYPE_CHECKING:
    from holdstill.board.layout import BoardPart
    from holdstill.workflow.capture_run import CaptureRun

RATE_DOUBT = 1.25
"""How much faster the next pause is taken to copy after one was refused for want of time: what
was measured is not believed for ever, since a pause that is refused measures nothing."""


def check_budget(run: CaptureRun) -> None:
    """Find what changed since the last round, and refuse a pause that could not copy it.

    Only what is frozen counts: nothing else has to wait for the copying.

    Raises:
        OverBudgetError: it does not fit the memory, or would outlast the ceiling.
    """
    load, frozen = PauseLoad(), run.scope.parts(CaptureMethod.FROZEN)
    for part in frozen:
        run.trees.mounted[part.number].update_live(run.index, seq=run.seq)
    run.followed.look()
    for part in frozen:
        load += _load_of(run, part)
    pause_budget.check_memory(load, run.spool.left)
    try:
        pause_budget.check_time(load, run.state.copy_rate, run.settings.pause.ceiling)
    except OverBudgetError:
        run.state.save_copy_rate(run.state.copy_rate * RATE_DOUBT)
        raise


def _load_of(run: CaptureRun, part: BoardPart) -> PauseLoad:
    load = run.trees.mounted[part.number].pause_load(run.index)
    if part.mount is None or not load.largest:
        return load
    return replace(load, largest=(part.mount.point / load.largest).raw)
