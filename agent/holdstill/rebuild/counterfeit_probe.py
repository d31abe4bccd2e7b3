"""Finding cards that report a false size: marks all over the part that is going to be written.

A card that drops writes behind its real end does not return a mark from there. One that begins
again at its start overwrites an earlier mark, if there is one exactly so far before. So the marks
are such that every multiple of a step is the distance of some two of them: a row of marks one
step apart, then marks one row apart, then a row again. With N steps that takes about 3 * sqrt(N).
"""

from __future__ import annotations

import hashlib
import math
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import TargetFailedError
from holdstill.model.sizes import MIB, align_down, human
from holdstill.rebuild import rebuild_target
from holdstill.system import sparse_copy

if TYPE_CHECKING:
    from holdstill.rebuild.rebuild_target import Target

MARK = 4096
"""Bytes of a mark."""
STEP = 4 * MIB
"""Real sizes of cards are multiples of this: an erase block."""


class ProbeMedium(Protocol):
    """What marks are written to."""

    @property
    def size(self) -> int:
        """Bytes that it claims to have."""

    def write(self, position: int, data: bytes) -> None:
        """Write at a position."""

    def read(self, position: int, length: int) -> bytes:
        """Read what is really there."""

    def settle(self) -> None:
        """Write everything out and forget it."""


@dataclass(frozen=True)
class TargetMedium:
    """A claimed target as a medium for marks."""

    claimed: Target

    @property
    def size(self) -> int:
        """Bytes that it claims to have."""
        return self.claimed.size

    def write(self, position: int, data: bytes) -> None:
        """Write at a position."""
        sparse_copy.write_all_at(self.claimed.handle, position, data)

    def read(self, position: int, length: int) -> bytes:
        """Read what is there; after settle it comes from the medium."""
        return os.pread(self.claimed.handle, length, position)

    def settle(self) -> None:
        """Write everything out and forget it."""
        rebuild_target.flush_and_drop_caches(self.claimed)


def probe(medium: ProbeMedium, *, needed: int, nonce: bytes) -> int:
    """Write marks over the first needed bytes and the end, read them back, and clear them.

    Returns how many marks there were. What the medium held is lost in those places.

    Raises:
        TargetFailedError: it does not keep what is written to it.
    """
    places = positions(needed, medium.size)
    try:
        for place in places:
            medium.write(place, mark(nonce, place))
        medium.settle()
        lost = [place for place in places if medium.read(place, MARK) != mark(nonce, place)]
        if not lost:
            for place in places:
                medium.write(place, bytes(MARK))
            medium.settle()
    except OSError as error:
        raise _counterfeit(f"it answers {error.strerror!r} within the size it claims") from error
    if lost:
        raise _counterfeit(
            f"{len(lost)} of {len(places)} marks were lost, the first one {human(lost[0])} from "
            "its start"
        )
    return len(places)


def probe_target(target: Target) -> int:
    """Probe all of a claimed card; see `probe`."""
    return probe(TargetMedium(target), needed=target.size, nonce=os.urandom(16))


def _counterfeit(what: str) -> TargetFailedError:
    return TargetFailedError(
        f"this card does not keep what is written to it: {what}",
        hint="it is counterfeit or dying: do not use it",
    )


def positions(needed: int, size: int) -> tuple[int, ...]:
    """Return where the marks go, in order."""
    span = min(needed, size)
    steps = max(1, span // STEP)
    row = math.isqrt(steps) or 1
    chosen = [*range(row), *range(0, steps, row), *range(steps - row, steps)]
    places = {step * STEP for step in chosen}
    places |= {align_down(end - MARK, MARK) for end in (span, size) if end >= MARK}
    return tuple(sorted(place for place in places if place + MARK <= size))


def mark(nonce: bytes, position: int) -> bytes:
    """Return the mark for a position: no two are alike, in no two runs."""
    return hashlib.shake_128(nonce + position.to_bytes(8, "little")).digest(MARK)
