"""Which captures need which contents: a database that is derived from the captures' indexes.

It holds spans: a content that a board's captures 3 to 7 name has one row, so that a capture
changes it by what differs from the one before. A content without a span is garbage. Losing the
file loses nothing: `account_captures` makes it again from the indexes.

What is deleted by it depends on it being right. So each capture's line in the ledger has the
number and a sum of its contents, made from its index when it was sealed, and the spans must come
to the same before anything is deleted.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import PreflightError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

NAME = "references.sqlite"
_APPLICATION_ID = 0x48535246  # "HSRF"
_VERSION = 1
_PATIENCE, NO_PATIENCE = 60.0, 0.0
"""Seconds to wait for another process's transaction: those of a large board take one or two."""
_SUMMED = 4
"""Bytes of a digest that are summed: 2^31 of them fit SQLite's 64-bit integers."""
_SCHEMA = """\
CREATE TABLE IF NOT EXISTS board (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
 head INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS capture (board INTEGER NOT NULL, seq INTEGER NOT NULL,
 name TEXT NOT NULL, manifest TEXT NOT NULL, PRIMARY KEY (board, seq)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS content (id INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE,
 size INTEGER NOT NULL, mark INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS span (board INTEGER NOT NULL, content INTEGER NOT NULL,
 first INTEGER NOT NULL, last INTEGER, PRIMARY KEY (board, content, first)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS span_content ON span (content);
"""
"""last is NULL while the board's newest capture, its head, still needs the content."""
_NEED = (
    "CREATE TEMP TABLE need (digest BLOB, size INTEGER, mark INTEGER, PRIMARY KEY (digest, size)) "
    "WITHOUT ROWID"
)
_FRESH = "CREATE TEMP TABLE fresh (digest BLOB, size INTEGER)"
_OWN = "CREATE TEMP TABLE own (digest BLOB PRIMARY KEY) WITHOUT ROWID"
_UNSOUND = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT})
_ROOM = 8 << 20
"""Bytes free on the disk below which a journal there may not fit."""
_MOVED = sqlite3.SQLITE_READONLY_DBMOVED
"""Another process found it damaged meanwhile, and took it away."""


class UnsoundReferencesError(Exception):
    """The file is no database of ours, or damaged; it can be made again."""


class ContentSum(NamedTuple):
    """What a set of contents comes to: how many there are, and the sum of their first bytes."""

    number: int = 0
    total: int = 0


class AccountedCapture(NamedTuple):
    """One capture whose contents are in the database."""

    seq: int
    name: str
    manifest: str


class References:
    """The open database. One set of contents at a time is loaded by `load` for the calls after."""

    def __init__(self, db: sqlite3.Connection) -> None:
        self._db = db

    def check(self) -> None:
        """Let SQLite check its file; raises what `opened` translates.

        Its indexes have to agree with the tables: what is needed is read out of one, and what that
        comes to, out of the other (sqlite.org/pragma.html: a quick check does not compare them).
        """
        (answer,) = self._db.execute("PRAGMA integrity_check(1)").fetchone()
        if answer != "ok":
            raise UnsoundReferencesError(f"{NAME}: {answer}")

    def captures(self, board: BoardName) -> tuple[AccountedCapture, ...]:
        """Return the captures of a board that are accounted for, oldest first."""
        rows = self._db.execute(
            "SELECT seq, capture.name, manifest FROM capture JOIN board ON board.id = board "
            "WHERE board.name = ? ORDER BY seq",
            (board,),
        )
        return tuple(map(AccountedCapture._make, rows))

    def head(self, board: BoardName) -> int:
        """Return the number of the board's newest accounted capture; 0 for none."""
        row = self._db.execute("SELECT head FROM board WHERE name = ?", (board,)).fetchone()
        return int(row[0]) if row else 0

    def boards(self) -> tuple[str, ...]:
        """Return the names of all boards in it."""
        return tuple(name for (name,) in self._db.execute("SELECT name FROM board ORDER BY name"))

    def load(self, contents: Iterable[tuple[bytes, int]]) -> ContentSum:
        """Load the contents (digest, size) that a capture needs; return what they come to."""
        rows = ((digest, size, int.from_bytes(digest[:_SUMMED])) for digest, size in contents)
        with self._transaction("DEFERRED"):  # locks only what is this connection's own
            self._db.execute("DELETE FROM need")
            self._db.executemany("INSERT OR IGNORE INTO need VALUES (?, ?, ?)", rows)
        return ContentSum._make(
            self._db.execute("SELECT count(*), coalesce(sum(mark), 0) FROM need").fetchone()
        )

    def not_of(self, board: BoardName) -> Iterator[tuple[bytes, int]]:
        """Yield the loaded contents (digest, size) that the board's newest capture has not.

        They are set aside first: nobody waits for who looks at each of them.
        """
        with self._transaction("DEFERRED"):
            self._db.execute("DELETE FROM fresh")
            self._db.execute(
                "INSERT INTO fresh SELECT digest, size FROM need EXCEPT SELECT digest, size "
                "FROM span JOIN content ON id = content WHERE last IS NULL AND board = "
                "(SELECT id FROM board WHERE name = ?)",
                (board,),
            )
        yield from self._db.execute("SELECT digest, size FROM fresh")

    def needs(self, digest: bytes) -> bool:
        """Return whether a content is among those that are loaded."""
        row = self._db.execute("SELECT 1 FROM need WHERE digest = ?", (digest,)).fetchone()
        return row is not None

    def loaded(self) -> Iterator[bytes]:
        """Yield the digests that are loaded."""
        yield from (digest for (digest,) in self._db.execute("SELECT digest FROM need"))

    def new_bytes(self, board: BoardName | None = None) -> int:
        """Return the bytes of the loaded contents that no capture needs, or none of one board."""
        (total,) = self._db.execute(
            "SELECT coalesce(sum(size), 0) FROM need WHERE NOT EXISTS (SELECT 1 FROM content "
            "JOIN span ON content = id WHERE content.digest = need.digest AND (:board IS NULL "
            "OR board = (SELECT id FROM board WHERE name = :board)))",
            {"board": board},
        ).fetchone()
        return int(total)

    def load_own(self, contents: Iterable[tuple[bytes, int]]) -> None:
        """Load the contents of a capture that is not accounted for, for `is_own`."""
        rows = ((digest,) for digest, _ in contents)
        with self._transaction("DEFERRED"):
            self._db.executemany("INSERT OR IGNORE INTO own VALUES (?)", rows)

    def is_own(self, digest: bytes) -> bool:
        """Return whether a content is among those of `load_own`."""
        row = self._db.execute("SELECT 1 FROM own WHERE digest = ?", (digest,)).fetchone()
        return row is not None

    def add(
        self, board: BoardName, capture: AccountedCapture, *, follows: int | None = None
    ) -> None:
        """Account for a capture that needs the loaded contents; it is the board's newest one.

        Args:
            board: the board.
            capture: the capture.
            follows: number of the capture that has to be the newest one by now, 0 for none; where
                it is not, since somebody counts anew, nothing happens.
        """
        with self._transaction():
            self._db.execute("INSERT OR IGNORE INTO board (name, head) VALUES (?, 0)", (board,))
            query = "SELECT id, head FROM board WHERE name = ?"
            key, head = self._db.execute(query, (board,)).fetchone()
            if head >= capture.seq or follows not in {None, head}:
                return  # another process was quicker, or counts anew
            self._db.execute(
                "INSERT OR IGNORE INTO content (digest, size, mark) SELECT * FROM need"
            )
            self._db.execute(
                "UPDATE span SET last = ? WHERE board = ? AND last IS NULL AND content NOT IN "
                "(SELECT id FROM need JOIN content USING (digest))",
                (head, key),
            )
            self._db.execute(
                "INSERT INTO span SELECT ?, id, ?, NULL FROM need JOIN content USING (digest) "
                "WHERE id NOT IN (SELECT content FROM span WHERE board = ? AND last IS NULL)",
                (key, capture.seq, key),
            )
            self._end_with(key, capture)

    def add_same(self, board: BoardName, capture: AccountedCapture) -> None:
        """Account for a capture that needs exactly what the one before it needs.

        Where that one is not the newest by now, since somebody counts anew, nothing happens.
        """
        query = "SELECT id FROM board WHERE name = ? AND head = ?"
        with self._transaction():
            found = self._db.execute(query, (board, capture.seq - 1)).fetchone()
            if found is not None:
                self._end_with(int(found[0]), capture)

    def _end_with(self, key: int, capture: AccountedCapture) -> None:
        """Note a capture as the newest one of a board."""
        self._db.execute("INSERT INTO capture VALUES (?, ?, ?, ?)", (key, *capture))
        self._db.execute("UPDATE board SET head = ? WHERE id = ?", (capture.seq, key))

    def remove(self, board: BoardName, names: Iterable[str]) -> None:
        """Forget captures, and the contents that no capture of their board needs any more."""
        with self._transaction():
            self._db.executemany(
                "DELETE FROM capture WHERE name = ? "
                "AND board = (SELECT id FROM board WHERE name = ?)",
                ((name, board) for name in names),
            )
            self._db.execute(
                "DELETE FROM span WHERE board = (SELECT id FROM board WHERE name = :board) "
                "AND NOT EXISTS (SELECT 1 FROM capture WHERE capture.board = span.board "
                "AND seq BETWEEN first AND coalesce(last, "
                "(SELECT head FROM board WHERE name = :board)))",
                {"board": board},
            )

    def remove_board(self, board: str) -> None:
        """Forget a board altogether."""
        with self._transaction():
            for table in ("span", "capture"):
                self._db.execute(
                    f"DELETE FROM {table} WHERE board = (SELECT id FROM board WHERE name = ?)",  # noqa: S608  a name from above
                    (board,),
                )
            self._db.execute("DELETE FROM board WHERE name = ?", (board,))

    def needed(self, low: bytes, high: bytes) -> frozenset[bytes]:
        """Return the digests from low up to, not including, high that any capture needs."""
        rows = self._db.execute(
            "SELECT digest FROM content WHERE digest >= ? AND digest < ? "
            "AND EXISTS (SELECT 1 FROM span WHERE content = id)",
            (low, high),
        )
        return frozenset(digest for (digest,) in rows)

    def has(self, board: BoardName, digest: bytes) -> bool:
        """Return whether any accounted capture of a board needs a content."""
        row = self._db.execute(
            "SELECT 1 FROM span WHERE board = (SELECT id FROM board WHERE name = ?) "
            "AND content = (SELECT id FROM content WHERE digest = ?)",
            (board, digest),
        ).fetchone()
        return row is not None

    def has_any(self) -> bool:
        """Return whether it has contents, needed or not collected yet."""
        return self._db.execute("SELECT 1 FROM content LIMIT 1").fetchone() is not None

    def drop_unused(self) -> None:
        """Forget contents that no capture needs; after they were collected."""
        with self._transaction():
            self._db.execute(
                "DELETE FROM content WHERE NOT EXISTS (SELECT 1 FROM span WHERE content = id)"
            )

    def sums(self, board: BoardName) -> Mapping[int, ContentSum]:
        """Return what the contents of each accounted capture come to, by its number."""
        with self.reading():  # a capture may be sealed just now
            begun, ended = (self._sums_by(column, board) for column in ("first", "last"))
            seqs = [capture.seq for capture in self.captures(board)]
        found, number, total = {}, 0, 0
        changes = sorted({*begun, *(last + 1 for last in ended)})
        for seq in seqs:
            while changes and changes[0] <= seq:
                at = changes.pop(0)
                more, less = begun.get(at, ContentSum()), ended.get(at - 1, ContentSum())
                number += more.number - less.number
                total += more.total - less.total
            found[seq] = ContentSum(number, total)
        return found

    def _sums_by(self, column: str, board: BoardName) -> dict[int, ContentSum]:
        rows = self._db.execute(
            f"SELECT {column}, count(*), sum(mark) FROM span JOIN content ON id = content "  # noqa: S608  a name from above
            f"WHERE board = (SELECT id FROM board WHERE name = ?) AND {column} IS NOT NULL "
            f"GROUP BY {column}",
            (board,),
        )
        return {seq: ContentSum(number, total) for seq, number, total in rows}

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Let all that is asked in the block be of one moment; nobody can write meanwhile."""
        with self._transaction("DEFERRED"):
            yield

    @contextmanager
    def _transaction(self, kind: str = "IMMEDIATE") -> Iterator[None]:
        self._db.execute(f"BEGIN {kind}")
        try:
            yield
        except BaseException:
            if self._db.in_transaction:  # a full disk has taken it back already
                self._db.execute("ROLLBACK")
            raise
        self._db.execute("COMMIT")


@contextmanager
def opened(store: Store, *, patience: float = _PATIENCE) -> Iterator[References]:
    """Hold the database of a store open; one that is not there is made, empty.

    patience: seconds for which somebody else may be writing to it.

    Raises:
        UnsoundReferencesError: it is damaged, or not ours; `discard` takes it away.
        PreflightError: it cannot be read or written.
    """
    path = store.root / NAME
    _check_files(store)
    try:
        # Autocommit: transactions are begun where several statements belong together.
        db = sqlite3.connect(path, timeout=patience, isolation_level=None)
    except sqlite3.Error as error:
        raise _unusable(path, error) from error
    try:
        _prepare(db, path)
        yield References(db)
    except sqlite3.DatabaseError as error:
        # Text that is no text is told without a code, by the module itself.
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT)
        if code & 0xFF in _UNSOUND or code == _MOVED:
            raise UnsoundReferencesError(f"{path}: {error}") from error
        raise _unusable(path, error) from error
    finally:
        db.close()


def _check_files(store: Store) -> None:
    """Check that SQLite's files are such as it can open.

    What is in their place and can be moved away is no reason to do without references.

    Raises:
        UnsoundReferencesError: one is none, or cannot be read and written.
    """
    for path in _files(store):
        try:
            mode = path.lstat().st_mode
        except FileNotFoundError:
            continue
        if not stat.S_ISREG(mode):
            raise UnsoundReferencesError(f"{path} is no file")
        if not os.access(path, os.R_OK | os.W_OK) and os.access(store.root, os.W_OK):
            raise UnsoundReferencesError(f"{path} may not be read and written")


def _files(store: Store) -> tuple[Path, ...]:
    """Return the database's files, itself the last one."""
    return tuple(store.root / f"{NAME}{suffix}" for suffix in ("-journal", "-wal", "-shm", ""))


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    db.execute("PRAGMA cache_size = -16384")  # KiB
    state = os.statvfs(path.parent)
    if state.f_bavail * state.f_frsize < _ROOM:
        # What it is asked for there is to make room. Cut off, it is damaged, and made again.
        db.execute("PRAGMA journal_mode = MEMORY")
    db.execute("PRAGMA temp_store = FILE")  # memory stays flat however large a capture is
    db.execute("PRAGMA temp.cache_size = -16384")
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if (application, version) == (0, 0) and not db.execute(
        "SELECT 1 FROM sqlite_master"
    ).fetchone():
        db.executescript(
            f"BEGIN IMMEDIATE;\n{_SCHEMA}PRAGMA application_id = {_APPLICATION_ID};\n"
            f"PRAGMA user_version = {_VERSION};\nCOMMIT;"
        )
    elif (application, version) != (_APPLICATION_ID, _VERSION):
        raise UnsoundReferencesError(f"{path}: not a database of references")
    db.execute(_NEED)
    db.execute(_FRESH)
    db.execute(_OWN)


def _unusable(path: Path, error: sqlite3.Error) -> PreflightError:
    return PreflightError(
        f"{path} cannot be used: {error}",
        hint="check that the store's disk has room and is writable, and that the file belongs to "
        "the store's user",
    )


def discard(store: Store) -> None:
    """Take an unsound database away, with what belongs to it.

    Nobody may be writing to it: their journal would be taken for that of the next database
    (sqlite.org/howtocorrupt.html, 2.5). The caller uses no contents.
    """
    with store.alone_with_contents():
        for path in _files(store):
            store.discard(path)
