"""A SQLite database that another process commits to, 20 times a second."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ROW = 1000
EVERY = 0.05
"""Seconds from one commit to the next."""


def fill(path: Path, size: int, journal: str) -> None:
    """Make a database of about a size in bytes."""
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(f"PRAGMA journal_mode = {journal}")
        database.execute("CREATE TABLE reading (id INTEGER PRIMARY KEY, level BLOB)")
        rows = ((os.urandom(ROW),) for _ in range(size // ROW))
        database.executemany("INSERT INTO reading (level) VALUES (?)", rows)


@contextmanager
def writing(path: Path, journal: str) -> Iterator[None]:
    """Have another process commit to it for the length of the block."""
    words = [sys.executable, __file__, os.fspath(path), journal]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"ready\n"
        try:
            yield
        finally:
            process.terminate()
            process.wait(timeout=30)


def _write(path: str, journal: str) -> None:
    dice = random.Random(7)  # noqa: S311 - dice, no secret
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute(f"PRAGMA journal_mode = {journal}")
        (count,) = database.execute("SELECT max(id) FROM reading").fetchone()
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        while True:
            place = dice.randint(1, count)
            database.execute("UPDATE reading SET level = ? WHERE id = ?", (os.urandom(ROW), place))
            time.sleep(EVERY)


if __name__ == "__main__":
    _write(*sys.argv[1:])
