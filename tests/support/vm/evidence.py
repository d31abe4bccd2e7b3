"""Judge what the gauge's files were found to hold when a rebuilt board came up.

The gauge writes a reading to its database, its log and two counters, in this order, so a copy of
one instant holds them in this order and at most one apart. A copy taken file by file does not.
"""

from __future__ import annotations

import msgspec

READINGS_PER_CALIBRATION = 7


class Log(msgspec.Struct, frozen=True):
    """What the rotated text log held."""

    lines: int
    whole: int
    tail: str
    gaps: int
    last: int


class Database(msgspec.Struct, frozen=True):
    """What the database held, counted and as its own totals state it."""

    count: int
    first: int
    last: int
    sum_mm: int
    stated_count: int
    stated_sum_mm: int
    newest_ns: int
    integrity: list[str]


class Calibration(msgspec.Struct, frozen=True):
    """The file that is replaced by rename: three numbers that go together."""

    seq: int
    datum_mm: int
    check: int


class Found(msgspec.Struct, frozen=True):
    """The files of the gauge, as they were before it wrote again."""

    leading: int
    trailing: int
    calibration: Calibration
    log: Log
    database: Database


def decode(report: bytes) -> Found:
    """Read what the board noted."""
    return msgspec.json.decode(report, type=Found)


def broken_promises(found: Found) -> list[str]:
    """Return every promise of the gauge that the files break; nothing for one sound instant."""
    kept = {**order(found), **log_promises(found.log), **database_promises(found.database)}
    kept |= calibration_promises(found)
    return [f"{promise}: {found}" for promise, holds in kept.items() if not holds]


def order(found: Found) -> dict[str, bool]:
    """Judge the order of writes across directories, which only one instant preserves."""
    writes = (found.database.last, found.log.last, found.leading, found.trailing)
    return {
        "no file is ahead of one written before it": list(writes) == sorted(writes, reverse=True),
        "all files are of the same reading or the next": max(writes) - min(writes) <= 1,
    }


def log_promises(log: Log) -> dict[str, bool]:
    """Judge the text log: whole lines, none missing, across its rotations."""
    return {
        "every log line is whole": log.lines == log.whole and not log.tail,
        "no log line is missing": log.gaps == 0,
    }


def database_promises(base: Database) -> dict[str, bool]:
    """Judge the database by its own check and by sums that its check cannot know."""
    return {
        "the database passes its own check": base.integrity == ["ok"],
        "the readings are as many as stated": base.count == base.stated_count,
        "the readings add up as stated": base.sum_mm == base.stated_sum_mm,
        "no reading is missing": (base.first, base.last) == (1, base.count),
    }


def calibration_promises(found: Found) -> dict[str, bool]:
    """Judge the file that is replaced by rename every seven readings."""
    seq = found.calibration.seq
    # The gauge writes it last: at the instant of the copy it may be one replacement behind.
    behind = found.database.last - seq
    return {
        "the calibration is whole": found.calibration == Calibration(seq, 4 * seq, 5 * seq),
        "the calibration is of the same instant": 0 <= behind <= READINGS_PER_CALIBRATION,
    }
