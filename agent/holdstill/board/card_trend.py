"""How fast a card reads, and what it complains of, from capture to capture; and what that means.

Once a day at most, with a capture, sixteen MiB are read past the cache, always from the same
places: reading wears nothing. What is kept is a few KiB in the board's own memory.
"""

from __future__ import annotations

import mmap
import os
from statistics import median
from typing import TYPE_CHECKING

import msgspec

from holdstill.model.card_reading import CardReading
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.board.health_report import Health
    from holdstill.system.clocks import Clock

from holdstill.board.card_history import History, added, is_noted

FILE = "card.json"
PIECE, PIECES = 1 << 20, 16
_BLOCK = 4096


def record(directory: Path, device: Path, health: Health, clock: Clock) -> None:
    """Take today's reading, unless there is one.

    Raises:
        OSError: it cannot be kept.
    """
    now, known = clocks.rfc3339(clock.now()), load(directory)
    if is_noted(known, health.card.cid, now):
        return
    reading = CardReading(
        at=now,
        card=health.card.cid,
        rate=read_rate(device, clock),
        kernel_errors=len(health.kernel_errors),
        ext4_errors=sum(errors.count for errors in health.file_systems),
        life=max(health.wear.life, default=0) if health.wear else 0,
    )
    files.publish(directory / FILE, msgspec.json.encode(added(known, reading)))


def load(directory: Path) -> History:
    """Return what is remembered; nothing, if that cannot be read."""
    try:
        return msgspec.json.decode((directory / FILE).read_bytes(), type=History)
    except (OSError, msgspec.MsgspecError):
        return History()


def last(directory: Path) -> CardReading | None:
    """Return the last reading that is remembered; None for none."""
    return next(reversed(load(directory).readings), None)


def read_rate(device: Path, clock: Clock) -> int:
    """Measure how fast a device is read, in bytes a second; 0 when it cannot be measured."""
    took = []
    try:
        with (
            files.opened(device, os.O_RDONLY | os.O_DIRECT) as handle,
            mmap.mmap(-1, PIECE) as room,  # page-aligned, as open(2) wants it for O_DIRECT
        ):
            for place in places(os.lseek(handle, 0, os.SEEK_END)):
                started = clock.monotonic()
                if os.preadv(handle, [room], place) < PIECE:
                    return 0
                took.append(clock.monotonic() - started)
    except OSError:
        return 0
    usual = median(took) if took else 0.0
    return int(PIECE / usual) if usual else 0


def places(size: int) -> tuple[int, ...]:
    """Return where pieces are read on a device of so many bytes: always the same, spread out."""
    step = (size - PIECE) // PIECES // _BLOCK * _BLOCK
    return tuple(step * number for number in range(PIECES)) if step > 0 else ()
