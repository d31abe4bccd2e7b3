"""When each content was last found good: a small database beside the store, and no more than that.

Losing it costs reading again. It is never a reason to blame a capture: what cannot be read,
locked or written is gone without, what is damaged or not ours is thrown away, and one line says
so. A date of the future counts for nothing.

What a run itself has found is kept in a database of its own that nobody else sees, and added to
the file in short transactions, so that two runs do not get into each other's way.
"""

from __future__ import annotations

import sqlite3
import stat
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import MachineError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

_APPLICATION_ID = 0x48535643  # "HSVC"
_VERSION = 1
_PATIENCE = 5.0
"""Seconds to wait for another run's transaction, which takes less than one."""
_KEPT = "CREATE TABLE IF NOT EXISTS good (digest BLOB PRIMARY KEY, at REAL NOT NULL) WITHOUT ROWID"
_AT_ONCE = 10_000
"""Contents that are added to the file in one transaction."""
_UNSOUND = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT})


class _ForeignFileError(Exception):
    """A database, but not one of ours, or of another version."""


class VerifiedCache:
    """What was found good, in this run and by earlier ones."""

    def __init__(self, run: sqlite3.Connection, kept: _KeptFile) -> None:
        self._run, self._kept = run, kept
        self._pending: list[tuple[bytes, float]] = []

    @property
    def notes(self) -> tuple[str, ...]:
        """Why the file cannot be used; nothing if it can."""
        return (self._kept.trouble,) if self._kept.trouble else ()

    def met(self, digest: bytes) -> float | None:
        """Return when a content that this run has met before, and not found bad, was read."""
        row = self._run.execute("SELECT at FROM met WHERE digest = ?", (digest,)).fetchone()
        return None if row is None else float(row[0])

    def recent(self, digest: bytes) -> float | None:
        """Return when an earlier run read a content, if lately enough; it counts as met then."""
        at = self._kept.recent(digest)
        if at is not None:
            self._run.execute("INSERT INTO met VALUES (?, ?)", (digest, at))
        return at

    def note(self, digest: bytes, at: float) -> None:
        """Record that a content was read and is good."""
        self._run.execute("INSERT INTO met VALUES (?, ?)", (digest, at))
        self._pending.append((digest, at))
        if len(self._pending) >= _AT_ONCE:
            self.keep()

    def forget(self, digest: bytes) -> None:
        """Record that a content is not good."""
        self._run.execute("DELETE FROM met WHERE digest = ?", (digest,))
        self.keep()
        self._kept.forget(digest)

    def keep(self) -> None:
        """Make what was noted survive an interruption."""
        self._kept.add(self._pending)
        self._pending.clear()


class _KeptFile:
    """The file, as long as it can be used; `trouble` says why not, once."""

    def __init__(self, path: Path, since: float, until: float) -> None:
        self._path, self._since, self._until = path, since, until
        self._db: sqlite3.Connection | None = None
        self._is_written = True
        self.trouble = ""

    def open(self) -> None:
        """Open it, or begin a new one."""
        if self._try_to_open():
            self._try_to_open()

    def _try_to_open(self) -> bool:
        """Open it; return whether it was thrown away, and is worth another try."""
        try:
            self._db = self._opened()
        except (sqlite3.Error, OSError, _ForeignFileError) as error:
            return self._give_up(error)
        return False

    def close(self) -> None:
        """Close it."""
        if self._db is not None:
            self._db.close()
            self._db = None

    def recent(self, digest: bytes) -> float | None:
        """Return the date that it has for a content, if that is of the time that counts."""
        if self._db is None or self._since >= self._until:
            return None
        try:
            row = self._db.execute(
                "SELECT at FROM good WHERE digest = ? AND typeof(at) = 'real' "
                "AND at BETWEEN ? AND ?",
                (digest, self._since, self._until),
            ).fetchone()
        except sqlite3.Error as error:
            self._give_up(error)
            return None
        return None if row is None else float(row[0])

    def add(self, rows: Sequence[tuple[bytes, float]]) -> None:
        """Add contents that are good."""
        self._write("INSERT OR REPLACE INTO good VALUES (?, ?)", rows)

    def forget(self, digest: bytes) -> None:
        """Take a content away."""
        self._write("DELETE FROM good WHERE digest = ?", [(digest,)])

    def _write(self, statement: str, rows: Sequence[tuple[bytes, float] | tuple[bytes]]) -> None:
        if self._db is None or not self._is_written or not rows:
            return
        try:
            with self._db:  # commits, or takes back
                self._db.execute("BEGIN IMMEDIATE")
                self._db.executemany(statement, rows)
        except sqlite3.Error as error:
            if _is_unsound(error):
                self._give_up(error)
            else:  # it can be read still
                self._is_written = False
                self.trouble = (
                    f"{self._path}, which remembers what was found good, cannot be written to, so "
                    f"the next run reads all again: {error}; what to do: {_remedy(error)}"
                )

    def _opened(self) -> sqlite3.Connection:
        if self._path.is_symlink() or (self._path.exists() and not self._path.is_file()):
            raise OSError(f"it is {_kind(self._path)}, and no file")
        db = sqlite3.connect(self._path, timeout=_PATIENCE, isolation_level=None)
        try:
            _prepare(db)
        except BaseException:
            db.close()
            raise
        return db

    def _give_up(self, error: Exception) -> bool:
        """Go on without the file; return whether it was thrown away, being of no use."""
        self.close()
        if isinstance(error, _ForeignFileError) or _is_unsound(error):
            try:
                self._throw_away()
            except OSError as refusal:
                error = refusal
            else:
                self.trouble = (
                    f"{self._path}, which remembers what earlier runs found good, was damaged or "
                    f"not ours ({error}); it is begun again"
                )
                return True
        self.trouble = (
            f"{self._path}, which remembers what earlier runs found good, cannot be used, so all "
            f"is read, and the next run reads all again: {error}; what to do: {_remedy(error)}"
        )
        return False

    def _throw_away(self) -> None:
        for suffix in ("-journal", "-wal", "-shm", ""):
            self._path.with_name(self._path.name + suffix).unlink(missing_ok=True)


def _remedy(error: Exception) -> str:
    number = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if number in {sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY}:
        return "see whether its disk is full, read-only or failing (`df`, `dmesg`)"
    return "move it away, or give its owner the right to read and write it"


@contextmanager
def opened(path: Path, *, since: float, until: float) -> Iterator[VerifiedCache]:
    """Hold the memory of earlier runs.

    Args:
        path: of the file; it need not be there, nor be of any use.
        since: Unix time from which on a check counts.
        until: now, as Unix time; if it is the same, no check counts.

    Raises:
        MachineError: there is no room for this run's own notes.
    """
    kept = _KeptFile(path, since, until)
    try:
        with closing(sqlite3.connect("", isolation_level=None)) as run:  # on disk, nameless
            run.execute("PRAGMA journal_mode = OFF")  # it is given up with the run
            run.execute("CREATE TABLE met (digest BLOB PRIMARY KEY, at REAL) WITHOUT ROWID")
            kept.open()
            cache = VerifiedCache(run, kept)
            yield cache
            cache.keep()
    except sqlite3.Error as error:
        raise MachineError(
            f"a database of this run's own failed: {error}",
            hint="make room for temporary files (`df /var/tmp /tmp`), then run this again",
        ) from error
    finally:
        kept.close()


def _prepare(db: sqlite3.Connection) -> None:
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    tables = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if (application, version, *tables) == (0, 0, 0):
        db.executescript(
            f"BEGIN IMMEDIATE;\n{_KEPT};\nPRAGMA application_id = {_APPLICATION_ID};\n"
            f"PRAGMA user_version = {_VERSION};\nCOMMIT;"
        )
    elif (application, version) != (_APPLICATION_ID, _VERSION):
        raise _ForeignFileError(f"application {application:#x}, version {version}")


def _is_unsound(error: Exception) -> bool:
    """Whether SQLite finds fault with the file itself; a table that is missing is such a fault."""
    code = getattr(error, "sqlite_errorcode", None)
    return isinstance(code, int) and code & 0xFF in _UNSOUND | {sqlite3.SQLITE_ERROR}


def _kind(path: Path) -> str:
    return {stat.S_IFDIR: "a directory", stat.S_IFLNK: "a symbolic link"}.get(
        stat.S_IFMT(path.lstat().st_mode), "something else"
    )
