"""Doing what a plan says, in its order, deciding nothing."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Protocol, assert_never

from holdstill.errors import HoldstillError, TargetFailedError
from holdstill.rebuild.steps import (
    ClearTables,
    Flush,
    MakeExt4,
    MakeFat,
    MakeOther,
    MakeSwap,
    PutGap,
    PutRaw,
    ReadBack,
    WriteTable,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.rebuild.planner import Plan
    from holdstill.rebuild.steps import AnyStep

UNFINISHED = "the target is unfinished and has no valid partition table: do not boot it"


class Writers(Protocol):
    """What puts things on the target. Each raises an error of ours when it fails."""

    def clear_tables(self) -> None:
        """Make every partition table on the target invalid; doing it twice does no harm."""

    def gap(self, step: PutGap) -> None:
        """Put back what was before the first partition."""

    def fat(self, step: MakeFat) -> None:
        """Make a FAT and fill it."""

    def ext4(self, step: MakeExt4) -> None:
        """Make an ext4 and fill it."""

    def other(self, step: MakeOther) -> None:
        """Make another file system and fill it."""

    def swap(self, step: MakeSwap) -> None:
        """Make a swap area."""

    def raw(self, step: PutRaw) -> None:
        """Put back a partition as it was."""

    def flush(self) -> None:
        """Bring everything to the medium, and forget what memory holds of it."""

    def read_back(self, step: ReadBack) -> None:
        """Read the medium and compare; raise VerificationError when it differs."""

    def table(self, step: WriteTable) -> None:
        """Write the partition table and bring it to the medium."""


def _silence(_step: AnyStep) -> None:
    pass


def carry_out(
    plan: Plan, writers: Writers, *, begin: Callable[[AnyStep], None] = _silence
) -> None:
    """Carry out a plan on a claimed target.

    Args:
        plan: what to do.
        writers: what does it.
        begin: is told each step before it is done.

    Raises:
        HoldstillError: a step failed. The target has no valid partition table then, and the
            error's hint says so; an OSError becomes TargetFailedError.
    """
    has_begun = False
    try:
        for step in plan.steps:
            begin(step)
            has_begun = True
            _do(step, writers)
    except BaseException as error:
        if has_begun:
            _leave_unfinished(writers, error)
        if isinstance(error, OSError):
            raise TargetFailedError(f"writing failed: {error}", hint=UNFINISHED) from error
        raise


def _leave_unfinished(writers: Writers, error: BaseException) -> None:
    """See to it that not even half a table stays; what went wrong first is what counts."""
    with suppress(HoldstillError, OSError):
        writers.clear_tables()
    if isinstance(error, HoldstillError):
        error.hint = f"{error.hint}; {UNFINISHED}" if error.hint else UNFINISHED


def _do(step: AnyStep, writers: Writers) -> None:
    match step:
        case ClearTables():
            writers.clear_tables()
        case PutGap():
            writers.gap(step)
        case MakeFat():
            writers.fat(step)
        case MakeExt4():
            writers.ext4(step)
        case MakeOther():
            writers.other(step)
        case MakeSwap():
            writers.swap(step)
        case PutRaw():
            writers.raw(step)
        case Flush():
            writers.flush()
        case ReadBack():
            writers.read_back(step)
        case WriteTable():
            writers.table(step)
        case unknown:
            assert_never(unknown)
