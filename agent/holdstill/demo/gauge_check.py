"""Judge whether the tide gauge's files, as found in a tree, can be of one instant.

Finding and judging are separate: what was found can be recorded on one machine, before the gauge
writes again, and judged on another. Uses the standard library only, so that it runs on a board.
"""

from __future__ import annotations

import argparse
import dataclasses
import itertools
import json
import shutil
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path("var/lib/tide-gauge")
LOGS = Path("var/log/tide-gauge")
TRAILING = Path("srv/tide-gauge/trailing")
CALIBRATION = Path("etc/tide-gauge/calibration.json")
DATABASE = "readings.sqlite"
READINGS_PER_CALIBRATION = 7
NEWEST = 1200
"""What the statistics of the gauge always add up to."""
PLACES = (FOLDER, LOGS, TRAILING.parent, CALIBRATION.parent)
"""The directories with everything that is checked."""
UNREADABLE = (OSError, ValueError, TypeError, IndexError, sqlite3.DatabaseError)
"""Errors that torn files may cause."""


@dataclass(frozen=True)
class Log:
    """What the rotated text log held.

    Attributes:
        tail: what follows the last whole line.
        gaps: how often a line does not continue the one before.
    """

    lines: int
    whole: int
    tail: str
    gaps: int
    last: int


@dataclass(frozen=True)
class Database:
    """What the database held, counted and as its own totals state it."""

    count: int
    first: int
    last: int
    sum_mm: int
    newest_ns: int
    stated_count: int
    stated_sum_mm: int
    in_classes: int
    integrity: tuple[str, ...]


@dataclass(frozen=True)
class Calibration:
    """The file that is replaced by rename: three numbers that go together."""

    seq: int
    datum_mm: int
    check: int


@dataclass(frozen=True)
class Found:
    """The files of the gauge."""

    leading: int
    trailing: int
    calibration: Calibration
    log: Log
    database: Database


def check(root: Path) -> list[str]:
    """Return what is wrong with the gauge's files below root; nothing for one sound instant."""
    try:
        found = look(root)
    except UNREADABLE as error:
        return [f"the gauge's files can be read: {error}"]
    return broken_promises(found)


def look(root: Path) -> Found:
    """Read the gauge's files below root; the tree itself is left as it is.

    Raises:
        UNREADABLE: they cannot be read, or are no such files.
    """
    return Found(
        leading=int((root / FOLDER / "leading").read_bytes()),
        trailing=int((root / TRAILING).read_bytes()),
        calibration=Calibration(**json.loads((root / CALIBRATION).read_bytes())),
        log=_look_at_logs(root / LOGS),
        database=_look_at_database(root / FOLDER),
    )


def _look_at_database(folder: Path) -> Database:
    with tempfile.TemporaryDirectory(prefix="gauge-") as work:
        # Opening recovers what a power cut would have left. Its -shm is no part of the data.
        for name in (DATABASE, f"{DATABASE}-wal"):
            if (folder / name).exists():
                shutil.copyfile(folder / name, Path(work) / name)
        with closing(sqlite3.connect(Path(work) / DATABASE)) as base:
            readings = (
                "SELECT count(*), min(seq), max(seq), sum(level_mm), max(taken_ns) FROM reading"
            )
            count, first, last, sum_mm, newest_ns = base.execute(readings).fetchone()
            stated = base.execute("SELECT readings, sum_mm FROM total").fetchone()
            (in_classes,) = base.execute("SELECT sum(readings) FROM class").fetchone()
            return Database(
                count=count,
                first=first,
                last=last,
                sum_mm=sum_mm,
                newest_ns=newest_ns,
                stated_count=stated[0],
                stated_sum_mm=stated[1],
                in_classes=in_classes,
                integrity=tuple(row[0] for row in base.execute("PRAGMA integrity_check")),
            )


def _look_at_logs(folder: Path) -> Log:
    logs = sorted(
        folder.glob("gauge.log*"),
        key=lambda log: int(log.suffix[1:]) if log.suffix != ".log" else 0,
        reverse=True,
    )
    *lines, tail = b"".join(path.read_bytes() for path in logs).split(b"\n")
    seqs = [int(line.split()[0]) for line in lines if line.endswith(b" mm")]
    return Log(
        lines=len(lines),
        whole=len(seqs),
        tail=tail.decode(errors="backslashreplace"),
        gaps=sum(later - earlier != 1 for earlier, later in itertools.pairwise(seqs)),
        last=seqs[-1],
    )


def broken_promises(found: Found) -> list[str]:
    """Return every promise of the gauge that what was found breaks."""
    # Judge the order of writes across directories, which only one instant preserves.
    writes = [found.database.last, found.log.last, found.leading, found.trailing]
    order = {
        "no file is ahead of one written before it": writes == sorted(writes, reverse=True),
        "all files are of the same reading or the next": max(writes) - min(writes) <= 1,
    }
    log_promises = {
        "every log line is whole": found.log.lines == found.log.whole and not found.log.tail,
        "no log line is missing": found.log.gaps == 0,
    }
    kept = order | log_promises | _database_promises(found.database)
    kept |= _calibration_promises(found)
    return [f"{promise}: {found}" for promise, holds in kept.items() if not holds]


def _database_promises(base: Database) -> dict[str, bool]:
    """Check the database by its own check and by sums that this check does not cover."""
    return {
        "the database passes its own check": base.integrity == ("ok",),
        "the readings are as many as stated": base.count == base.stated_count,
        "the readings add up as stated": base.sum_mm == base.stated_sum_mm,
        "the statistics are of as many readings as ever": base.in_classes == NEWEST,
        "no reading is missing": (base.first, base.last) == (1, base.count),
    }


def _calibration_promises(found: Found) -> dict[str, bool]:
    """Judge the file that is replaced by rename every seven readings."""
    seq = found.calibration.seq
    # The gauge writes it last: at the instant of the copy it may be one replacement behind.
    behind = found.database.last - seq
    return {
        "the calibration is whole": found.calibration == Calibration(seq, 4 * seq, 5 * seq),
        "the calibration is of the same instant": 0 <= behind <= READINGS_PER_CALIBRATION,
    }


def main() -> None:
    """Record what is found, to be judged elsewhere; nothing where the gauge never ran."""
    words = argparse.ArgumentParser(description="note what state the tide gauge's files are in")
    words.add_argument("report", type=Path, help="file to write")
    words.add_argument("--root", type=Path, default=Path("/"), help="of the board")
    chosen = words.parse_args()
    if (chosen.root / FOLDER / DATABASE).exists():
        facts = dataclasses.asdict(look(chosen.root))
        chosen.report.write_text(json.dumps(facts), encoding="ascii")


if __name__ == "__main__":
    main()
