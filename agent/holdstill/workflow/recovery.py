"""Put back what an ended run left held: thaw, make writable, resume services.

It is the first thing that every run does, and the last thing that the service does however it
ended. Doing it twice is doing it once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import freeze, guard, hooks, mounts, read_only
from holdstill.errors import DegradedError

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.board.service_control import HookRunner
    from holdstill.board.undo_log import UndoLog
    from holdstill.system.clocks import Clock


def put_back(undo_log: UndoLog, *, machine: HookRunner, clock: Clock) -> tuple[str, ...]:
    """Undo what ended runs left; return what was undone, for the report.

    Raises:
        DegradedError: something could not be put back; all else was.
    """
    marks = undo_log.directory / guard.MARKS
    steps: tuple[Callable[[], tuple[str, ...]], ...] = (
        lambda: freeze.thaw_left_over(marks, mounts.read_mounts()),
        lambda: read_only.give_back_left_over(undo_log, machine),
        lambda: hooks.resume_left_over(undo_log, machine, clock),
    )
    done: list[str] = []
    failed: list[DegradedError] = []
    for step in steps:  # one that fails must not keep the next from its work
        try:
            done += step()
        except DegradedError as error:
            failed.append(error)
    if failed:
        raise DegradedError("; ".join(map(str, failed)), hint=failed[0].hint)
    return tuple(done)
