"""The stages of a capture, in words, and how long each is thought to take. Pure.

What is measured meanwhile corrects the rates, of which the line's is the one that is known least.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model.estimate import Stage
from holdstill.model.sizes import MIB

if TYPE_CHECKING:
    from holdstill.workflow.precopy import PendingAmount

ASKING = "asking the keeper"
UNWRITTEN = "reading what nothing writes to: boot gap, unmounted partitions"
HOLDING = "holding the board still"
REST = "sending what the pause took"
SEALING = "sealing"
CROSS_CHECK = "holding the change detection against a full scan"
_RATE = 15 * MIB
"""Bytes a second that are read, hashed and sent."""
_FILE_SECONDS = 1e-3
"""A file beside its bytes."""
_SCAN, _AGAIN, _SHORT, _SEAL = 10.0, 1.0, 2.0, 3.0
"""Seconds of a first scan, of a round after the first, of a pause and of what is around it."""
_SEAL_FILE = 50e-6
"""Seconds of each changed file at the seal: its row in the index, its name at the keeper."""


def scanning(number: int) -> str:
    """Say what a round begins with."""
    return f"round {number}: looking for changes"


def copying(number: int) -> str:
    """Say what a round does then."""
    return f"round {number}: copying"


def at_first() -> tuple[Stage, ...]:
    """Return the stages before anything is known of what has changed."""
    return (
        Stage(UNWRITTEN, _AGAIN), Stage(scanning(1), _SCAN), Stage(copying(1), _SCAN), *_later(0),
    )  # fmt: skip


def after_scan(number: int, pending: PendingAmount, changed: int) -> tuple[Stage, ...]:
    """Return the stages after a scan; a first round is followed by another.

    Args:
        number: of the round.
        pending: what is still to be copied.
        changed: all files that the scan found changed, those among them that are copied already.
    """
    seconds = _AGAIN + pending.bytes / _RATE + pending.files * _FILE_SECONDS
    further = _later(changed) if number == 1 else _end(changed)
    return (Stage(copying(number), seconds), *further)


def _later(files: int) -> tuple[Stage, ...]:
    return (Stage(scanning(2), _AGAIN), Stage(copying(2), _AGAIN), *_end(files))


def _end(files: int) -> tuple[Stage, ...]:
    return (
        Stage(HOLDING, _SHORT),
        Stage(REST, _SHORT),
        Stage(SEALING, _SEAL + files * _SEAL_FILE),
    )
