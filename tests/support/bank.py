"""Accounts in an SQLite database with a write-ahead log: money moves, and is never more or less.

As a program (argv: DATABASE NUMBER) it moves money until it is ended; several may do so at once.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

ACCOUNTS, EACH = 25_000, 100
ROOM = 300
"""Bytes beside each balance: the accounts are spread over many pages."""
LETTER = 1000
PAUSE = 0.01


def make(database: Path, *, archive: int = 0) -> None:
    """Make a bank; archive: bytes of old letters, of which each move changes one anywhere."""
    with closing(sqlite3.connect(database, isolation_level=None)) as base:
        base.execute("PRAGMA journal_mode=WAL")
        base.execute("CREATE TABLE account (id INTEGER PRIMARY KEY, balance INT, moves INT, room)")
        base.execute("CREATE TABLE move (id INTEGER PRIMARY KEY, giver INT, taker INT, sum INT)")
        rows = ((number, EACH, 0, "x" * ROOM) for number in range(ACCOUNTS))
        base.execute("BEGIN")
        base.executemany("INSERT INTO account VALUES (?, ?, ?, ?)", rows)
        base.execute("CREATE TABLE letter (id INTEGER PRIMARY KEY, body BLOB)")
        letters = ((number, os.urandom(LETTER)) for number in range(archive // LETTER))
        base.executemany("INSERT INTO letter VALUES (?, ?)", letters)
        base.execute("COMMIT")


@contextmanager
def busy(database: Path, *, clerks: int) -> Iterator[None]:
    """Let so many programs move money for the length of the block."""
    with ExitStack() as undo:
        for number in range(clerks):
            words: list[str | Path] = [sys.executable, "-I", "-B", __file__, database, str(number)]
            clerk = undo.enter_context(subprocess.Popen(words))
            undo.callback(clerk.kill)
        yield


def move_for_ever(database: Path, chance: random.Random) -> None:
    """Move money between two accounts at a time, each move one transaction."""
    base = sqlite3.connect(database, isolation_level=None, timeout=60)
    base.execute("PRAGMA synchronous=NORMAL")
    base.execute("PRAGMA wal_autocheckpoint=50")

    (letters,) = base.execute("SELECT count(*) FROM letter").fetchone()
    change = "UPDATE account SET balance = balance + ?, moves = moves + 1 WHERE id = ?"
    while True:
        giver, taker = chance.sample(range(ACCOUNTS), 2)
        sum_moved = chance.randrange(1, EACH)
        base.execute("BEGIN IMMEDIATE")
        base.execute(change, (-sum_moved, giver))
        base.execute(change, (sum_moved, taker))
        row = (giver, taker, sum_moved)
        base.execute("INSERT INTO move (giver, taker, sum) VALUES (?, ?, ?)", row)
        letter = os.urandom(LETTER), chance.randrange(max(letters, 1))
        base.execute("UPDATE letter SET body = ? WHERE id = ?", letter)
        base.execute("COMMIT")
        time.sleep(PAUSE)


def wrong(database: Path) -> list[str]:
    """Return what is wrong with a bank; the files stay as they are."""
    with tempfile.TemporaryDirectory(prefix="bank-") as work:
        # Without the -shm, which is no part of the data: sqlite.org/wal.html, section 4.
        for path in (database, database.with_name(f"{database.name}-wal")):
            if path.exists():
                shutil.copyfile(path, Path(work, path.name))
        try:
            with closing(sqlite3.connect(Path(work, database.name))) as base:
                return _wrong(base)
        except sqlite3.DatabaseError as error:
            return [f"bank: {error}"]


def _wrong(base: sqlite3.Connection) -> list[str]:
    checked = [str(row[0]) for row in base.execute("PRAGMA integrity_check")]
    found = [] if checked == ["ok"] else [f"bank: integrity: {checked[:2]}"]
    total, made = base.execute("SELECT sum(balance), sum(moves) FROM account").fetchone()
    (moves, last) = base.execute("SELECT count(*), coalesce(max(id), 0) FROM move").fetchone()
    if total != ACCOUNTS * EACH:
        found.append(f"bank: {total} in all accounts, and not {ACCOUNTS * EACH}")
    if (made, last) != (2 * moves, moves):
        found.append(f"bank: {moves} moves, the last {last}, and accounts that tell of {made}")
    return found


if __name__ == "__main__":
    seeded = random.Random(int(sys.argv[2]))  # noqa: S311  repeatable, not secret
    move_for_ever(Path(sys.argv[1]), seeded)
