"""Measure the thinning of many boards with many captures: seconds, and the peak of memory.

    PYTHONPATH=tests .venv/bin/python tests/bench/keeper/thinning.py --boards 20 --captures 30

All captures are signed, by real keys, and all signatures are checked. A process of its own thins,
and says what it took; the first and the last of several stores of growing size show whether its
memory is flat.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from holdstill.keeper import garbage, thin
from holdstill.keeper.store import open_store
from holdstill.model.settings import Retention
from holdstill.system.process import LocalRunner
from support import programs
from support.keeping import FakeClock
from support.signed_store import SignedStore

CHANGED = 10
"""Files of a board that are others in each capture."""
START = datetime(2026, 1, 1, 2, 15, tzinfo=UTC)
DAY = 86_400


def main() -> None:
    """Make stores, have each thinned, and print what came out as JSON."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--boards", type=int, default=20)
    words.add_argument("--captures", type=int, default=30)
    words.add_argument("--files", type=int, nargs="+", default=[200])
    words.add_argument("--folder", default="/var/tmp")  # noqa: S108  a disk, not memory
    words.add_argument("--thin", help="thin this store, which is what is measured")
    chosen = words.parse_args()
    if chosen.thin:
        print(json.dumps(thinned(Path(chosen.thin), chosen.captures)))  # noqa: T201
        return
    for files in chosen.files:
        with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
            root = filled(Path(name), chosen.boards, chosen.captures, files)
            said = programs.run(
                sys.executable, __file__, "--thin", os.fspath(root),
                "--captures", str(chosen.captures), timeout=600,
            )  # fmt: skip
        found = {"boards": chosen.boards, "captures": chosen.captures, "files": files}
        print(json.dumps(found | json.loads(said)))  # noqa: T201


def filled(folder: Path, boards: int, captures: int, files: int) -> Path:
    """Make a store with captures of boards that differ in most of what they have."""
    made = SignedStore(folder)
    for board in (f"pier-{number}" for number in range(boards)):
        made.enrol(board)
        bodies = {b"srv/%05d" % n: b"%d of %s" % (n, board.encode()) for n in range(files)}
        clock = FakeClock(START)
        for night in range(captures):
            for n in range(CHANGED):
                bodies[b"srv/%05d" % n] = b"%d of %s, night %d" % (n, board.encode(), night)
            made.capture(board, bodies, clock=clock)
            clock.advance(DAY)
    return made.root


def thinned(root: Path, captures: int) -> dict[str, object]:
    """Keep one capture of each board; delete for good what only the others needed."""
    store, clock = open_store(root), FakeClock(START + timedelta(days=captures))
    rule = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
    for content in store.contents.all():
        os.utime(content.path, (1, 1))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun = time.perf_counter()
    for board in store.boards():
        thin.delete_captures(store, board, rule, clock=clock, runner=LocalRunner())
    deleted = time.perf_counter()
    collected = garbage.collect(store, clock=clock, grace=timedelta(0), min_free=0)
    ended = time.perf_counter()
    return {
        "captures, seconds": round(deleted - begun, 2),
        "garbage, seconds": round(ended - deleted, 2),
        "contents deleted": collected.contents,
        "complaints": collected.complaints,
        "peak grew by, MiB": (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) >> 10,
        "peak, MiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10,
    }


if __name__ == "__main__":
    main()
