"""Note, before the gauge writes again, what state its files were found in.

It judges nothing, and changes nothing but what opening a database changes; the test judges.
"""

from __future__ import annotations

import itertools
import json
import sqlite3
import sys
from pathlib import Path

GAUGE = Path("/var/lib/tide-gauge")
LOGS = Path("/var/log/tide-gauge")
TRAILING = Path("/srv/tide-gauge/trailing")
CALIBRATION = Path("/etc/tide-gauge/calibration.json")


def database() -> dict[str, object]:
    base = sqlite3.connect(GAUGE / "readings.sqlite")
    readings = "SELECT count(*), min(seq), max(seq), sum(level_mm), max(taken_ns) FROM reading"
    names = ("count", "first", "last", "sum_mm", "newest_ns", "stated_count", "stated_sum_mm")
    stated = base.execute("SELECT readings, sum_mm FROM total").fetchone()
    facts = dict(zip(names, (*base.execute(readings).fetchone(), *stated), strict=True))
    facts["integrity"] = [row[0] for row in base.execute("PRAGMA integrity_check")]
    base.close()
    return facts


def age(log: Path) -> int:
    return 0 if log.suffix == ".log" else int(log.suffix[1:])


def log() -> dict[str, object]:
    logs = sorted(LOGS.glob("gauge.log*"), key=age, reverse=True)
    *lines, tail = b"".join(path.read_bytes() for path in logs).split(b"\n")
    seqs = [int(line.split()[0]) for line in lines if line.endswith(b" mm")]
    return {
        "lines": len(lines),
        "whole": len(seqs),
        "tail": tail.decode(errors="backslashreplace"),
        "gaps": sum(later - earlier != 1 for earlier, later in itertools.pairwise(seqs)),
        "last": seqs[-1],
    }


def main(report: Path) -> None:
    if not (GAUGE / "readings.sqlite").exists():
        return
    # Text first: only the database may change by being looked at.
    facts = {
        "leading": int((GAUGE / "leading").read_bytes()),
        "trailing": int(TRAILING.read_bytes()),
        "calibration": json.loads(CALIBRATION.read_bytes()),
        "log": log(),
        "database": database(),
    }
    report.write_text(json.dumps(facts), encoding="ascii")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
