"""Hot rounds: copy while the board runs, until the pause will be short, or stops getting shorter.

The shape is that of live migration of a running machine (Clark et al., NSDI 2005): what is
written while a round lasts is what the next one has to copy.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model import sizes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from holdstill.model.protocol import Hello
    from holdstill.model.settings import PauseSettings
    from holdstill.system.clocks import Clock

FREEZE_SECONDS = 0.05
"""Freezing and thawing themselves, after a sync: 36 ms measured (median of 20, idle ext4)."""
FILE_SECONDS = 60e-6
"""Opening and describing one changed file."""
SHRINKING = 0.7
"""A round that leaves more than this share of the one before is no progress."""


@dataclass(frozen=True)
class PendingAmount:
    """What a round found changed."""

    files: int
    bytes: int


@dataclass(frozen=True)
class PrecopyResult:
    """How the rounds went.

    Attributes:
        predicted_seconds: what the frozen span should be now.
    """

    rounds: int
    predicted_seconds: float


def room_warning(pending: PendingAmount, hello: Hello) -> str:
    """Return what to say of a first capture as soon as it was scanned, "" if there is room. Pure.

    No refusal: what its files share with each other, or with other boards, is not sent again.
    """
    says = []
    if pending.bytes > hello.free_bytes:
        says.append(
            f"{sizes.human(pending.bytes)} to copy, room for {sizes.human(hello.free_bytes)}"
        )
    if pending.files > hello.free_inodes:
        says.append(f"{pending.files:,} files to copy, room for {hello.free_inodes:,}")
    if not says:
        return ""
    return (
        f"the keeper may stop this first capture: {' and '.join(says)}, which is what board "
        f"{hello.board} may still bring today. What has arrived by then is kept for the next run; "
        "daily_share and limits in the keeper's keeper.yaml, or limits in its enrolment.yaml, "
        "allow more"
    )


def predict(pending: PendingAmount, rate: float) -> float:
    """Return the seconds of a frozen span for this amount; rate is in bytes a second."""
    return FREEZE_SECONDS + pending.files * FILE_SECONDS + pending.bytes / rate


def converge(
    one_round: Callable[[int], PendingAmount],
    *,
    settings: PauseSettings,
    rate: float,
    room: int,
    clock: Clock,
) -> PrecopyResult:
    """Do hot rounds until a pause fits target and memory, or stops shrinking.

    Args:
        one_round: does one round, given its number from 1; returns what had changed.
        settings: target and most rounds.
        rate: bytes a second that the pause can copy, as measured.
        room: bytes of memory that the pause may fill.
        clock: measures the rounds.
    """
    before = clock.monotonic()
    interval, predicted, pending = 0.0, float("inf"), PendingAmount(0, 0)
    for number in range(1, settings.rounds + 1):
        pending = one_round(number)
        now = clock.monotonic()
        took, was = now - before, predicted
        # Estimate what changed during a round that took so long. What the round found had changed
        # in the interval before it. A first round has no interval: it found all changes since the
        # last capture, which bounds what can come.
        share = min(1.0, took / interval) if interval > 0 else 1.0
        coming = PendingAmount(round(pending.files * share), round(pending.bytes * share))
        predicted = predict(coming, rate)
        before, interval = now, took
        fits = predicted <= settings.target and coming.bytes <= room
        if fits or (number > 2 and predicted > was * SHRINKING):
            break
    return PrecopyResult(number, predicted)


def total(amounts: Sequence[PendingAmount]) -> PendingAmount:
    """Add up the parts of one round."""
    return PendingAmount(sum(a.files for a in amounts), sum(a.bytes for a in amounts))
