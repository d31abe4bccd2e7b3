"""A program: writers on a board, which note how long each of their writes had to wait.

Usage: writers.py ROOT MEGABYTES_PER_SECOND NOTES

One commits to a database, one keeps two files in step, one rewrites a file by rename, one stores
into a mapped file, one appends to a log, and one writes bulk at the rate asked for. Every wait
above 5 ms goes to NOTES/<writer>, a directory in memory: when it ended, and how long it was, by
the monotonic clock. They stop when NOTES/stop appears.
"""

from __future__ import annotations

import mmap
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
ACCOUNTS = 20_000


class Notes:
    """Notes how long a writer had to wait."""

    def __init__(self, folder: Path, name: str) -> None:
        self.file = (folder / name).open("w", buffering=1, encoding="ascii")
        self.stop = folder / "stop"

    def steps(self, pause: float) -> Iterator[None]:
        """Yield for every step of work, and note how long it took."""
        while not self.stop.exists():
            began = time.monotonic()
            yield
            ended = time.monotonic()
            if ended - began > WORTH_NOTING:
                self.file.write(f"{ended:.6f} {ended - began:.6f}\n")
            time.sleep(pause)


def commit(top: Path, notes: Notes, _rate: float) -> None:
    """Move money between accounts: the sum of all never changes."""
    with closing(sqlite3.connect(top / "bank.db", isolation_level=None, timeout=60)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("CREATE TABLE IF NOT EXISTS account (id INTEGER PRIMARY KEY, sum, padding)")
        if not db.execute("SELECT count(*) FROM account").fetchone()[0]:
            rows = ((number, 1000, os.urandom(200)) for number in range(ACCOUNTS))
            db.execute("BEGIN")
            db.executemany("INSERT INTO account VALUES (?, ?, ?)", rows)
            db.execute("COMMIT")
        for _ in notes.steps(0.005):
            one, other = random.sample(range(ACCOUNTS), 2)
            db.execute("BEGIN IMMEDIATE")
            db.execute("UPDATE account SET sum = sum - 1 WHERE id = ?", (one,))
            db.execute("UPDATE account SET sum = sum + 1 WHERE id = ?", (other,))
            db.execute("COMMIT")


def in_step(top: Path, notes: Notes, _rate: float) -> None:
    """Write a number to one file, then to another: they never differ by more than one."""
    (top / "first").mkdir(exist_ok=True)
    (top / "last").mkdir(exist_ok=True)
    with (top / "first/a").open("wb") as a, (top / "last/b").open("wb") as b:
        for number, _ in enumerate(notes.steps(0.003)):
            for file in (a, b):
                os.pwrite(file.fileno(), b"%015d\n" % number, 0)
                os.fsync(file.fileno())


def rewrite(top: Path, notes: Notes, _rate: float) -> None:
    """Replace a file by rename, as careful programs do."""
    for number, _ in enumerate(notes.steps(0.02)):
        draft = top / "calibration.tmp"
        with draft.open("wb") as file:
            file.write(b"offset=%d\n" % number + b"k=v\n" * 500)
            file.flush()
            os.fsync(file.fileno())
        draft.rename(top / "calibration")


def store(top: Path, notes: Notes, _rate: float) -> None:
    """Store into a mapped file: no system call, and most stores move no time stamp."""
    with (top / "shared").open("w+b") as file:
        file.truncate(1 << 20)
        with mmap.mmap(file.fileno(), 1 << 20) as mapped:
            for number, _ in enumerate(notes.steps(0.002)):
                mapped[:16] = mapped[1 << 19 : (1 << 19) + 16] = b"%015d\n" % number


def append(top: Path, notes: Notes, _rate: float) -> None:
    """Write a log, line by line; it is started anew at 4 MiB."""
    log = (top / "readings.log").open("ab", buffering=0)
    with closing(log):
        for number, _ in enumerate(notes.steps(0.002)):
            log.write(b"%d 1.42 m %s\n" % (number, b"x" * 60))
            if log.tell() > 4 << 20:
                log.truncate(0)


def bulk(top: Path, notes: Notes, rate: float) -> None:
    """Write at a rate: six parts to segments of 4 MiB, four to small files that are rewritten."""
    for folder in ("segments", "working"):
        (top / folder).mkdir(exist_ok=True)
    block, done, began = os.urandom(1 << 16), 0, time.monotonic()
    chance = random.Random(7)  # noqa: S311  repeatable, not secret
    for _ in notes.steps(0.0):
        while done > rate * 1e6 * (time.monotonic() - began):
            time.sleep(0.002)
        if chance.random() < 0.6:
            segment = done // (4 << 20) % 40
            with (top / f"segments/{segment:03}").open("ab") as file:
                file.write(block)
                if file.tell() > 4 << 20:
                    file.truncate(0)
        else:
            (top / f"working/{chance.randrange(400):03}").write_bytes(block)
        done += len(block)


WRITERS: tuple[Callable[[Path, Notes, float], None], ...] = (
    commit, in_step, rewrite, store, append, bulk,
)  # fmt: skip


def main() -> None:
    """Run every writer in a process of its own until told to stop."""
    top, rate, folder = Path(sys.argv[1]), float(sys.argv[2]), Path(sys.argv[3])
    top.mkdir(parents=True, exist_ok=True)
    children = []
    for writer in WRITERS:
        pid = os.fork()
        if not pid:
            try:
                writer(top, Notes(folder, writer.__name__), rate)
            finally:
                os._exit(0)
        children.append(pid)
    (folder / "running").write_text(" ".join(map(str, children)), encoding="ascii")
    for pid in children:
        os.waitpid(pid, 0)


main()
