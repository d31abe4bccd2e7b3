"""The index: a SQLite file with one row per entry of every captured file system.

The board updates it in place from one capture to the next, so that only the pages that changed
travel. Other programs may read it; the keeper and the rebuild treat it as hostile.
"""

from __future__ import annotations

import errno
import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError, VerificationError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

from holdstill.records.index_queries import Index
from holdstill.records.index_schema import (
    APPLICATION_ID,
    INODES,
    PAGE,
    PENDING,
    SCHEMA,
    SIZE_MAX,
    VERSION,
    DamagedIndexError,
)

_NO_ROOM = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_GETTEMPPATH})


@contextmanager
def created(path: Path) -> Iterator[Index]:
    """Make a new, empty index and hold it open for writing; commits when the block succeeds."""
    path.unlink(missing_ok=True)
    with _connected(f"file:{_quoted(path)}?mode=rwc") as db:
        db.execute(f"PRAGMA page_size = {PAGE}")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {VERSION}")
        for statement in (SCHEMA, INODES, PENDING):
            db.execute(statement)
        yield Index(db)
        db.commit()


@contextmanager
def updated(path: Path) -> Iterator[Index]:
    """Hold an index of our own open for writing; commits when the block succeeds.

    Raises:
        VerificationError: it is not an index that this version can update;
            DamagedIndexError when it turns out to be damaged.
    """
    try:
        with _connected(f"file:{_quoted(path)}?mode=rw") as db:
            _check_identity(db, path)
            yield Index(db)
            db.commit()
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode not in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}:
            raise
        raise DamagedIndexError(f"{path}: not a sound index: {error}") from error


@contextmanager
def opened(path: Path) -> Iterator[Index]:
    """Hold an index open for reading; it may come from anybody.

    Raises:
        SecurityError: it is not an index, is damaged, or holds more than an index does.
        OSError: no room for what is sorted.
    """
    if path.stat().st_size > SIZE_MAX:
        raise SecurityError(f"{path}: larger than an index may be ({SIZE_MAX} bytes)")
    try:
        with _connected(f"file:{_quoted(path)}?mode=ro&immutable=1") as db:
            db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 1 << 20)
            db.setlimit(sqlite3.SQLITE_LIMIT_SQL_LENGTH, 10_000)
            # What is sorted takes disk, not memory: whoever made the file says how much it is.
            db.execute("PRAGMA temp_store = FILE")
            db.execute("PRAGMA trusted_schema = OFF")
            db.execute("PRAGMA cell_size_check = ON")
            db.execute("PRAGMA mmap_size = 0")
            db.execute("PRAGMA query_only = ON")
            try:
                _check_identity(db, path)
                _check_schema(db, path)
            except VerificationError as error:
                raise SecurityError(str(error)) from error
            yield Index(db)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # the latter in SQLite's own complaints
        if getattr(error, "sqlite_errorcode", 0) in _NO_ROOM:
            raise OSError(errno.ENOSPC, f"no room to sort {path}: {error}") from error
        raise SecurityError(f"{path}: not a sound index: {error}") from error


@contextmanager
def opened_beside(path: Path, older: Path) -> Iterator[Index]:
    """Hold an index open as `opened` does, with an older one for `Index.placed_changes`.

    Raises:
        SecurityError: one of the two is not an index, is damaged, or holds more than one does.
    """
    with opened(older):
        pass  # it is one
    with opened(path) as index:
        index.attach_older(f"file:{_quoted(older)}?mode=ro&immutable=1")
        yield index


@contextmanager
def _connected(uri: str) -> Iterator[sqlite3.Connection]:
    db = sqlite3.connect(uri, uri=True, isolation_level="DEFERRED", check_same_thread=False)
    try:
        db.execute("PRAGMA cache_size = -4096")  # KiB: memory stays flat however large the tree
        db.execute("PRAGMA temp_store = MEMORY")  # inside the pause no file may be made
        yield db
    finally:
        db.close()


def _check_identity(db: sqlite3.Connection, path: Path) -> None:
    try:
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
    except sqlite3.Error as error:
        raise VerificationError(f"{path}: not an index: {error}") from error
    if (application, version) != (APPLICATION_ID, VERSION):
        raise VerificationError(
            f"{path}: not an index of version {VERSION} (application {application:#x}, "
            f"version {version})"
        )


def _check_schema(db: sqlite3.Connection, path: Path) -> None:
    """The schema must be ours to the letter: no view, no trigger, no generated column."""
    try:
        rows = [row[0] for row in db.execute("SELECT sql FROM sqlite_master ORDER BY rowid")]
    except sqlite3.Error as error:
        raise VerificationError(f"{path}: not an index: {error}") from error
    if rows != [SCHEMA, INODES, PENDING]:
        raise VerificationError(f"{path}: the schema is not that of an index")


def _quoted(path: Path) -> str:
    """Escape what has a meaning in a SQLite URI (sqlite.org/uri.html)."""
    return str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")
