"""Which moments a change time can be trusted about.

A store into a memory-mapped page that is dirty already moves no time stamp, and two changes
within one tick of the kernel's clock leave the same one. Both can only happen to a file whose
ctime is not older than the sync that precedes a look: such a file is suspect, and looked at again
in the next round. All others are trustworthy: that sync has write-protected their pages, so a
later store has to move their ctime.

An asynchronous write past the page cache has its ctime long before its content, and no sync waits
for it: what may be written so is suspect for longer (`open_files.written_directly`).

The block trace is not asked about small files, since it could clear none of them in the pause. It
tells what it was told in the last moment once more (`block_trace.GRACE`, for writes past the
page cache), and the look just before a pause leaves suspect only what was changed since its own
sync began: that is, what the trace calls written anyway. Besides, it tells of contents, where a
suspect's attributes may have changed too, and each file would need its map taken twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable

MARGIN_NS = 20_000_000
"""Time stamps lag behind the clock by up to a tick: 10 ms at 100 Hz, 1.65 ms seen at 250 Hz."""
AHEAD_NS = 1_000_000_000
"""A ctime further ahead of the clock is from before the clock was set back, not from now."""
SECOND_NS = 1_000_000_000


class ClockReading(NamedTuple):
    """A reading of both clocks."""

    wall_ns: int
    monotonic: float


class CtimeWindow(NamedTuple):
    """The ctimes that are suspect, both ends included."""

    low_ns: int
    high_ns: int

    def has(self, ctime_ns: int) -> bool:
        """Whether a file with this ctime is suspect."""
        low = self.low_ns
        if ctime_ns % SECOND_NS == 0:
            # Inodes of 128 bytes have whole seconds only, and FAT every other one.
            low -= low % (2 * SECOND_NS)
        return low <= ctime_ns <= self.high_ns

    def seconds(self) -> tuple[int, int]:
        """Return the first and the last second in which there can be such a ctime."""
        return self.low_ns // SECOND_NS - 1, self.high_ns // SECOND_NS


class MonotonicClock(Protocol):
    """A clock that is never set."""

    def monotonic(self) -> float:
        """Return seconds."""


class InodeClock:
    """Reads the clock that stamps inodes, beside one that is never set."""

    def __init__(self, clock: MonotonicClock, stamping_ns: Callable[[], int]) -> None:
        self._clock = clock
        self._stamping_ns = stamping_ns

    def now(self) -> ClockReading:
        """Read both clocks."""
        return ClockReading(self._stamping_ns(), self._clock.monotonic())


def window(before_sync: ClockReading, after_look: ClockReading) -> CtimeWindow:
    """Return which ctimes are suspect after a scan that began with a sync.

    If the wall clock was set back in between, stamps from before that are higher and those from
    after it are lower than the first reading: the window begins where the clock was set to.
    """
    lasted_ns = round((after_look.monotonic - before_sync.monotonic) * 1e9)
    set_by_ns = after_look.wall_ns - before_sync.wall_ns - lasted_ns
    low = before_sync.wall_ns + min(0, set_by_ns) - MARGIN_NS
    return CtimeWindow(low, max(before_sync.wall_ns, after_look.wall_ns) + AHEAD_NS)
