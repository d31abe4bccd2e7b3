"""Carry out the steps of a plan, in its order; what fails leaves no partition table."""

from __future__ import annotations

import errno
from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, TargetFailedError
from holdstill.rebuild.steps import ClearTables
from holdstill.system import termination

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.rebuild.planner import Plan
    from holdstill.rebuild.steps import AnyStep

UNFINISHED = "the target is unfinished and has no valid partition table: do not boot it"
UNKNOWN = (
    "the target is unfinished, and what was to make that plain failed: do not boot it, whatever "
    "it holds"
)
NO_IMAGE = "no image is left of it, and one that was there before is as it was"


def carry_out(
    plan: Plan,
    do: Callable[[AnyStep], None],
    *,
    begin: Callable[[AnyStep], None] = lambda _: None,
    aftermath: str = UNFINISHED,
) -> None:
    """Carry out a plan on a claimed target.

    Args:
        plan: what to do.
        do: does one step, or raises an error of ours; clearing the tables twice does no harm.
        begin: is called with each step before it is done. A run that is interrupted there, before
            the first step, has touched nothing.
        aftermath: what people are told of the target after a failure.

    Raises:
        HoldstillError: a step failed. The target has no valid partition table then, and the
            error's hint states the aftermath; an OSError becomes TargetFailedError.
    """
    has_begun = False
    try:
        for step in plan.steps:
            begin(step)
            has_begun = True
            do(step)
    except BaseException as error:
        if has_begun:
            # Leave no table, not even half of one; the first error is the one that counts.
            is_cleared = False
            with suppress(HoldstillError, OSError):
                do(ClearTables())
                is_cleared = True
            if isinstance(error, HoldstillError):
                error.hint = f"{error.hint}; {aftermath}" if error.hint else aftermath
            elif not isinstance(error, Exception):
                termination.note(error, aftermath if is_cleared else UNKNOWN)
        if isinstance(error, OSError):
            room = "make room there: " if error.errno == errno.ENOSPC else ""
            raise TargetFailedError(f"writing failed: {error}", hint=room + aftermath) from error
        raise
