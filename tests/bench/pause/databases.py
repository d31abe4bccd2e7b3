"""A program: a large SQLite database on a board, and who commits to it.

    databases.py PATH BYTES KIND JOURNAL RATE NOTES

Makes the database, says so in NOTES/running, and commits RATE times a second, 0 for as fast as it
can, until NOTES/stop appears. Every wait above 5 ms goes to NOTES/commit, as of `writers`. KIND:

    random    each commit updates two rows of 1000 bytes anywhere
    recorder  each commit appends 20 rows of 60 bytes, with two indexes, as a recorder of readings
"""

from __future__ import annotations

import os
import random
import sqlite3
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

WORTH_NOTING = 0.005
ROW, READING = 1000, 112
"""Bytes that a row takes, with its share of the indexes."""
AT_ONCE = 100_000
SENSORS, APPENDED, UPDATED = 200, 20, 2
STEP = 0.05
"""Seconds from one reading to the next."""


def fill_random(base: sqlite3.Connection, size: int) -> None:
    base.execute("CREATE TABLE row (id INTEGER PRIMARY KEY, body BLOB)")
    noise = os.urandom(1 << 20)
    for numbers in _chunks(size // (ROW + 30)):
        bodies = ((n, noise[n * 7 % (len(noise) - ROW) :][:ROW]) for n in numbers)
        base.executemany("INSERT INTO row VALUES (?, ?)", bodies)


def fill_recorder(base: sqlite3.Connection, size: int) -> None:
    base.execute("CREATE TABLE reading (id INTEGER PRIMARY KEY, sensor INT, at REAL, state TEXT)")
    for numbers in _chunks(size // READING):
        base.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", map(_reading, numbers))
    base.execute("CREATE INDEX by_sensor ON reading (sensor, at)")
    base.execute("CREATE INDEX by_time ON reading (at)")


def _reading(number: int) -> tuple[int, int, float, str]:
    chance = random.random()  # noqa: S311  no secret
    return number, int(chance * SENSORS), number * STEP, f"{chance * 100:.3f} m, measured here"


def _chunks(count: int) -> Iterator[range]:
    for start in range(0, count, AT_ONCE):
        yield range(start, min(start + AT_ONCE, count))


def update(base: sqlite3.Connection) -> Callable[[], None]:
    (count,) = base.execute("SELECT count(*) FROM row").fetchone()

    def commit() -> None:
        for _ in range(UPDATED):
            at = random.randrange(count)  # noqa: S311  no secret
            base.execute("UPDATE row SET body = ? WHERE id = ?", (os.urandom(ROW), at))

    return commit


def append(base: sqlite3.Connection) -> Callable[[], None]:
    (last,) = base.execute("SELECT max(id) FROM reading").fetchone()

    def commit() -> None:
        nonlocal last
        rows = map(_reading, range(last + 1, last + 1 + APPENDED))
        base.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", rows)
        last += APPENDED

    return commit


KINDS = {"random": (fill_random, update), "recorder": (fill_recorder, append)}


def main() -> None:
    """Make it, and commit until told to stop."""
    path, size, kind, journal, rate, folder = sys.argv[1:]
    fill, work = KINDS[kind]
    with closing(sqlite3.connect(path, isolation_level=None, timeout=60)) as base:
        base.execute("PRAGMA journal_mode = off")
        base.execute("PRAGMA synchronous = off")
        base.execute("BEGIN")
        fill(base, int(size))
        base.execute("COMMIT")
    os.sync()
    with closing(sqlite3.connect(path, isolation_level=None, timeout=60)) as base:
        base.execute(f"PRAGMA journal_mode = {journal}")
        base.execute("PRAGMA synchronous = FULL")
        _commit_until_told(base, work(base), float(rate), Path(folder))


def _commit_until_told(
    base: sqlite3.Connection, work: Callable[[], None], rate: float, folder: Path
) -> None:
    began, count = time.monotonic(), 0
    with (folder / "commit").open("w", buffering=1, encoding="ascii") as notes:
        (folder / "running").write_text(str(os.getpid()), encoding="ascii")
        while not (folder / "stop").exists():
            before = time.monotonic()
            base.execute("BEGIN IMMEDIATE")
            work()
            base.execute("COMMIT")
            after = time.monotonic()
            count += 1
            if after - before > WORTH_NOTING:
                notes.write(f"{after:.6f} {after - before:.6f}\n")
            if rate:
                time.sleep(max(0.0, began + count / rate - after))


if __name__ == "__main__":
    main()
