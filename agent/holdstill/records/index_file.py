"""The index: a SQLite file with one row per entry of every captured file system.

The board updates it in place from one capture to the next, so that only the pages that changed
travel. Other programs may read it; the keeper and the rebuild treat it as hostile.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import contextmanager
from functools import lru_cache
from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple, cast

from holdstill.errors import SecurityError, VerificationError
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType, Omitted, Seen, new
from holdstill.records import attributes

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

APPLICATION_ID = 0x48534958  # "HSIX"
VERSION = 1
PAGE = 4096
SIZE_MAX = 4 << 30
"""Bytes of an index that we are willing to open."""
XATTRS_MAX = 128 << 10
SECOND = 1_000_000_000
"""Nanoseconds. mtimes are kept in two columns: in one, the years after 2262 would not fit."""

_SCHEMA = """\
CREATE TABLE entry (
 part INTEGER NOT NULL, directory BLOB NOT NULL, name BLOB NOT NULL, type INTEGER NOT NULL,
 mode INTEGER NOT NULL, uid INTEGER NOT NULL, gid INTEGER NOT NULL, size INTEGER NOT NULL,
 mtime INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, link INTEGER NOT NULL, rdev INTEGER NOT NULL,
 flags INTEGER NOT NULL, sparse INTEGER NOT NULL, target BLOB NOT NULL, digest BLOB NOT NULL,
 omitted INTEGER NOT NULL, xattrs TEXT, inode INTEGER NOT NULL, ctime_ns INTEGER NOT NULL,
 generation INTEGER NOT NULL, seq INTEGER NOT NULL,
 PRIMARY KEY (part, directory, name)) WITHOUT ROWID"""
_INODES = "CREATE INDEX entry_inode ON entry (part, inode)"
_IS_PENDING = "digest = x'' AND size > 0 AND type = 1 AND omitted = 0"
_PENDING = f"CREATE INDEX entry_pending ON entry (part, directory, name) WHERE {_IS_PENDING}"

_COLUMNS = (
    "part, directory, name, type, mode, uid, gid, size, mtime, mtime_ns, link, rdev, flags, "
    "sparse, target, digest, omitted, xattrs, inode, ctime_ns, generation, seq"
)
_COLUMN_NAMES = tuple(_COLUMNS.replace(",", " ").split())
_INTEGER_LIMITS = {
    "part": (1, 1024),
    "type": (1, 7),
    "mtime": (-(2**40), 2**40),
    "mtime_ns": (0, 999_999_999),
    "ctime_ns": (-(2**63), 2**63 - 1),
    "rdev": (0, 2**63 - 1),
    "mode": (0, 0o7777),
    "uid": (0, 2**32 - 2),
    "gid": (0, 2**32 - 2),
    "size": (0, 2**60),
    "link": (0, 2**63 - 1),
    "flags": (0, 2**32 - 1),
    "sparse": (0, 1),
    "omitted": (0, 2),
    "inode": (0, 2**63 - 1),
    "generation": (0, 2**32 - 1),
    "seq": (0, 999_999_999),
}

_LIMITS = [(name, *_INTEGER_LIMITS[name]) for name in _COLUMN_NAMES if name in _INTEGER_LIMITS]

_INSERT = f"INSERT OR REPLACE INTO entry ({_COLUMNS}) VALUES ({', '.join('?' * 22)})"  # noqa: S608
_IN_RANGE = " AND ".join(f"{name} BETWEEN {least} AND {most}" for name, least, most in _LIMITS)
_IS_NAME = (
    f"(length(name) BETWEEN 1 AND {paths.NAME_MAX} AND name NOT IN (x'2e', x'2e2e') "
    "AND instr(name, x'2f') = 0 AND instr(name, x'00') = 0 OR name = x'' AND directory = x'')"
)
_IS_SOUND = (
    f"{_IN_RANGE} AND {_IS_NAME} AND length(digest) IN (0, 32) "
    f"AND length(directory) + length(name) < {paths.PATH_MAX} "
    f"AND length(target) <= {paths.PATH_MAX} AND instr(target, x'00') = 0"
)
"""What `_checked` checks of a row, but for the directory and the types of the values."""
_SELECT = f"SELECT {_COLUMNS}, {_IS_SOUND} FROM entry "  # noqa: S608  nothing from outside

# Without statistics, SQLite would rather read all rows of a part than use an index.
_SELECT_BY_INODE = _SELECT + "INDEXED BY entry_inode WHERE part = ? AND inode = ?"

_UNLIKE_LINKS = (
    "SELECT part, link FROM entry WHERE link <> 0 GROUP BY part, link HAVING "
    "max(type) <> min(type) OR max(type = 2) OR max(digest) <> min(digest) "
    "OR max(size) <> min(size) OR max(target) <> min(target) OR max(mode) <> min(mode) "
    "OR max(rdev) <> min(rdev) LIMIT 1"
)

_BLOB_NAMES = ("directory", "name", "target", "digest")
_XATTRS = _COLUMN_NAMES.index("xattrs")
_PICK_INTEGERS = itemgetter(*(_COLUMN_NAMES.index(name) for name, _, _ in _LIMITS))
_PICK_BLOBS = itemgetter(*(_COLUMN_NAMES.index(name) for name in _BLOB_NAMES))
_TYPES, _REASONS = {int(kind): kind for kind in EntryType}, tuple(Omitted)
_DEPTH = paths.DEPTH_MAX - 1
"""Slashes in a directory from which on the path of a name in it is too deep."""
_TYPES_OF_ROW = tuple(
    bytes if name in _BLOB_NAMES else str if name == "xattrs" else int
    for name in (*_COLUMN_NAMES, "is sound")
)
_TYPES_WITHOUT_XATTRS = tuple(type(None) if kind is str else kind for kind in _TYPES_OF_ROW)

_Row = tuple[int | bytes | str | None, ...]
_SoundRow = tuple[
    int, bytes, bytes, int, int, int, int, int, int, int, int, int, int, int, bytes, bytes, int,
    str | None, int, int, int, int, int,
]  # fmt: skip


class DamagedIndexError(VerificationError):
    """An index of our own is no sound SQLite file any more."""


class Totals(NamedTuple):
    """Counts of one part."""

    entries: int
    files: int
    content_bytes: int


class PlacedEntry(NamedTuple):
    """What a file tree needs of an entry: digest is b"" for a directory."""

    directory: bytes
    name: bytes
    digest: bytes
    size: int


class Index:
    """An open index. Use `created`, `updated` or `opened`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def put(self, part: int, entry: Entry, *, seq: int) -> None:
        """Insert an entry, or replace the one of the same path. seq: the run that set it."""
        self._db.execute(_INSERT, _row(part, entry, seq))

    def put_all(self, part: int, entries: Iterable[Entry], *, seq: int) -> None:
        """Insert or replace many entries."""
        self._db.executemany(_INSERT, (_row(part, entry, seq) for entry in entries))

    def remove(self, part: int, path: bytes) -> None:
        """Take out a path and everything below it."""
        directory, name = paths.split(path)
        where = "DELETE FROM entry WHERE part = ? AND "
        self._db.execute(where + "directory = ? AND name = ?", (part, directory, name))
        self._db.execute(where + "directory = ?", (part, path))
        low, high = path + b"/", path + b"0"  # "0" follows "/"
        self._db.execute(where + "directory >= ? AND directory < ?", (part, low, high))

    def remove_part(self, part: int) -> None:
        """Take out everything of one partition."""
        self._db.execute("DELETE FROM entry WHERE part = ?", (part,))

    def get(self, part: int, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""
        key = (part, *paths.split(path))
        found = self._db.execute(
            _SELECT + "WHERE part = ? AND directory = ? AND name = ?", key
        ).fetchone()
        return None if found is None else _entry(found)

    def children(self, part: int, directory: bytes) -> list[Entry]:
        """Return the entries directly in a directory, in name order."""
        rows = self._db.execute(
            _SELECT + "WHERE part = ? AND directory = ? AND name <> x'' ORDER BY name",
            (part, directory),
        )
        return [_entry(row) for row in rows]

    def children_after(
        self, part: int, directory: bytes, *, after: bytes, limit: int
    ) -> list[Entry]:
        """Return at most limit entries directly in a directory behind a name, in name order."""
        rows = self._db.execute(
            _SELECT + "WHERE part = ? AND directory = ? AND name > ? ORDER BY name LIMIT ?",
            (part, directory, after, limit),
        )
        return [_entry(row) for row in rows]

    def names(self, part: int, directory: bytes) -> Iterator[tuple[bytes, int]]:
        """Yield (name, inode) of what is directly in a directory, in name order; do not write."""
        yield from self._db.execute(
            "SELECT name, inode FROM entry WHERE part = ? AND directory = ? AND name <> x'' "
            "ORDER BY name",
            (part, directory),
        )

    def by_inode(self, part: int, inode: int) -> list[Entry]:
        """Return every name that the board's inode had."""
        rows = self._db.execute(_SELECT_BY_INODE, (part, inode))
        return [_entry(row) for row in rows]

    def entries(self, part: int) -> Iterator[Entry]:
        """Yield all entries of a part in key order; do not write meanwhile."""
        rows = self._db.execute(_SELECT + "WHERE part = ? ORDER BY directory, name", (part,))
        yield from map(_entry, rows)

    def placed(self, part: int) -> Iterator[PlacedEntry]:
        """Yield directories and files with content, without the root, in key order.

        For an index that was checked: the values are not checked again.
        """
        return self._placed(part, "(type = 2 OR digest <> x'')")

    def folders(self, part: int) -> Iterator[PlacedEntry]:
        """Yield only the directories of `placed`."""
        return self._placed(part, "type = 2")

    def files(self, part: int) -> Iterator[PlacedEntry]:
        """Yield only the files of `placed`."""
        return self._placed(part, "digest <> x''")

    def _placed(self, part: int, condition: str) -> Iterator[PlacedEntry]:
        rows = self._db.execute(
            "SELECT directory, name, digest, size FROM entry WHERE part = ? AND name <> x'' "  # noqa: S608  a condition from above
            f"AND {condition} ORDER BY directory, name",
            (part,),
        )
        yield from map(PlacedEntry._make, rows)

    def contents_after(self, part: int, *, after: tuple[bytes, bytes], limit: int) -> list[Entry]:
        """Return at most limit files with a known content behind a key, in key order."""
        rows = self._db.execute(
            _SELECT + "WHERE part = ? AND (directory, name) > (?, ?) AND digest <> x'' "
            "ORDER BY directory, name LIMIT ?",
            (part, *after, limit),
        )
        return [_entry(row) for row in rows]

    def pending(self, part: int, *, after: tuple[bytes, bytes], limit: int) -> list[Entry]:
        """Return at most limit files behind a key whose content has not been hashed yet."""
        rows = self._db.execute(
            _SELECT + f"WHERE part = ? AND {_IS_PENDING} AND (directory, name) > (?, ?) "
            "ORDER BY directory, name LIMIT ?",
            (part, *after, limit),
        )
        return [_entry(row) for row in rows]

    def pending_totals(self, part: int) -> tuple[int, int]:
        """Return how many files, and bytes, have not been hashed yet."""
        files, total = self._db.execute(
            "SELECT count(*), total(size) FROM entry INDEXED BY entry_pending "  # noqa: S608
            f"WHERE part = ? AND {_IS_PENDING}",
            (part,),
        ).fetchone()
        return int(files), int(total)

    def omitted(self, part: int) -> Iterator[Entry]:
        """Yield the files whose content is left out although their entry is there."""
        rows = self._db.execute(_SELECT + "WHERE part = ? AND omitted <> 0", (part,))
        for row in rows:
            yield _entry(row)

    def set_digest(self, part: int, entry: Entry, digest: bytes, *, seq: int) -> None:
        """Record what a file's content is, at every name of its hard-link group.

        An empty digest makes it pending again.
        """
        if entry.link:
            self._db.execute(
                "UPDATE entry INDEXED BY entry_inode SET digest = ?, seq = ? "
                "WHERE part = ? AND inode = ? AND type = 1",
                (digest, seq, part, entry.seen.inode),
            )
        else:
            self._db.execute(
                "UPDATE entry SET digest = ?, seq = ? "
                "WHERE part = ? AND directory = ? AND name = ?",
                (digest, seq, part, entry.directory, entry.name),
            )

    def forget(self, digest: bytes) -> None:
        """Make every file with this content pending again; reads the whole index."""
        self._db.execute("UPDATE entry SET digest = x'' WHERE digest = ?", (digest,))

    def digests(self, *, since: int = 0) -> Iterator[tuple[bytes, int]]:
        """Yield (digest, size) of distinct contents that runs numbered since or later set."""
        rows = self._db.execute(
            "SELECT DISTINCT digest, size FROM entry WHERE digest <> x'' AND seq >= ?", (since,)
        )
        yield from rows

    def holders(self, digest: bytes, limit: int = 10) -> list[tuple[int, bytes]]:
        """Return (part, path) of entries with this content, for reports; reads the whole index."""
        rows = self._db.execute(
            "SELECT part, directory, name FROM entry WHERE digest = ? LIMIT ?", (digest, limit)
        )
        return [(part, paths.join(directory, name)) for part, directory, name in rows]

    def parts(self) -> list[int]:
        """Return the partitions that have entries."""
        rows = self._db.execute("SELECT DISTINCT part FROM entry ORDER BY part")
        return [row[0] for row in rows]

    def totals(self, part: int) -> Totals:
        """Count the entries, the regular files and their bytes of one part."""
        row = self._db.execute(
            "SELECT count(*), total(type = 1), total(size) FROM entry WHERE part = ?", (part,)
        ).fetchone()
        return Totals(int(row[0]), int(row[1]), int(row[2]))

    def check_pages(self) -> None:
        """Let SQLite check its own structure.

        Raises:
            SecurityError: it is not sound.
        """
        try:
            (answer,) = self._db.execute("PRAGMA quick_check(1)").fetchone()
        except sqlite3.Error as error:
            raise SecurityError(f"the index is not a sound SQLite file: {error}") from error
        if answer != "ok":
            raise SecurityError(f"the index is not a sound SQLite file: {answer}")

    def check_links(self) -> None:
        """Check that names which are said to be one inode are alike, and no directories.

        Raises:
            SecurityError: naming the part and the group.
        """
        row = self._db.execute(_UNLIKE_LINKS).fetchone()
        if row is not None:
            raise SecurityError(f"index, part {row[0]}: link group {row[1]} is not one inode")

    def commit(self) -> None:
        """Make what was written so far final."""
        self._db.commit()


@contextmanager
def created(path: Path) -> Iterator[Index]:
    """Make a new, empty index and hold it open for writing; commits when the block succeeds."""
    path.unlink(missing_ok=True)
    with _connected(f"file:{_quoted(path)}?mode=rwc") as db:
        db.execute(f"PRAGMA page_size = {PAGE}")
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {VERSION}")
        for statement in (_SCHEMA, _INODES, _PENDING):
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
    """
    if path.stat().st_size > SIZE_MAX:
        raise SecurityError(f"{path}: larger than an index may be ({SIZE_MAX} bytes)")
    try:
        with _connected(f"file:{_quoted(path)}?mode=ro&immutable=1") as db:
            _distrust(db)
            try:
                _check_identity(db, path)
                _check_schema(db, path)
            except VerificationError as error:
                raise SecurityError(str(error)) from error
            yield Index(db)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # the latter in SQLite's own complaints
        raise SecurityError(f"{path}: not a sound index: {error}") from error


def check(path: Path) -> None:
    """Read a whole index that may come from anybody, and check every row.

    Rows must be in range and in order, paths well-formed, every entry in a listed directory, and
    the names of one inode must agree about it.

    Raises:
        SecurityError: anything is not as it must be.
    """
    with opened(path) as index:
        index.check_pages()
        for part in index.parts():
            _check_part(index, part)
        index.check_links()


def _check_part(index: Index, part: int) -> None:
    """Check that the entries of a part form one tree under a root directory."""
    known_directory, before = None, None
    for entry in index.entries(part):
        place = (entry.directory, entry.name)
        _require(before is None or before < place, part, entry, "it is listed twice, or unordered")
        before = place
        attributes.check(entry.xattrs)
        if entry.path == b"":
            _require(entry.type is EntryType.DIRECTORY, part, entry, "the root is no directory")
            continue
        _require(entry.name != b"", part, entry, "an entry without a name")
        if entry.directory != known_directory:
            parent = index.get(part, entry.directory)
            is_directory = parent is not None and parent.type is EntryType.DIRECTORY
            _require(is_directory, part, entry, "it lies in no listed directory")
            known_directory = entry.directory
        _check_content(part, entry)
    _require(
        index.get(part, b"") is not None, part, Entry(b"", b"", EntryType.DIRECTORY), "no root"
    )


def _check_content(part: int, entry: Entry) -> None:
    if entry.type is EntryType.FILE:
        wanted = entry.size > 0 and entry.omitted is Omitted.NOTHING
        _require(bool(entry.digest) == wanted, part, entry, "content and size disagree")
    else:
        plain = not entry.digest and entry.size == 0 and entry.omitted is Omitted.NOTHING
        _require(plain, part, entry, "only a regular file has content")
    _require(
        bool(entry.target) == (entry.type is EntryType.SYMLINK), part, entry, "odd symlink target"
    )


def _require(good: bool, part: int, entry: Entry, complaint: str) -> None:  # noqa: FBT001  an assertion
    if not good:
        raise SecurityError(f"index, part {part}, {paths.display(entry.path)!r}: {complaint}")


@contextmanager
def _connected(uri: str) -> Iterator[sqlite3.Connection]:
    db = sqlite3.connect(uri, uri=True, isolation_level="DEFERRED", check_same_thread=False)
    try:
        db.execute("PRAGMA cache_size = -4096")  # KiB: memory stays flat however large the tree
        db.execute("PRAGMA temp_store = MEMORY")  # inside the pause no file may be made
        yield db
    finally:
        db.close()


def _distrust(db: sqlite3.Connection) -> None:
    db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 1 << 20)
    db.setlimit(sqlite3.SQLITE_LIMIT_SQL_LENGTH, 10_000)
    db.execute("PRAGMA trusted_schema = OFF")
    db.execute("PRAGMA cell_size_check = ON")
    db.execute("PRAGMA mmap_size = 0")
    db.execute("PRAGMA query_only = ON")


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
    if rows != [_SCHEMA, _INODES, _PENDING]:
        raise VerificationError(f"{path}: the schema is not that of an index")


def _quoted(path: Path) -> str:
    """Escape what has a meaning in a SQLite URI (sqlite.org/uri.html)."""
    return str(path).replace("%", "%25").replace("?", "%3f").replace("#", "%23")


def _row(part: int, entry: Entry, seq: int) -> _Row:
    return (
        part, entry.directory, entry.name, int(entry.type), entry.mode, entry.uid, entry.gid,
        entry.size, *divmod(entry.mtime_ns, SECOND), entry.link, entry.rdev, entry.flags,
        entry.sparse, entry.target, entry.digest, int(entry.omitted), encode_xattrs(entry.xattrs),
        entry.seen.inode, _storable(entry.seen.ctime_ns), entry.seen.generation, seq,
    )  # fmt: skip


def _storable(ctime_ns: int) -> int:
    """Return a ctime as SQLite can hold it; one past 2262 becomes one that equals no other."""
    return ctime_ns if -(2**63) <= ctime_ns < 2**63 else 0


def _entry(row: tuple[object, ...]) -> Entry:
    """Turn a row into an entry; a row that no agent of ours wrote is refused.

    SQLite has found out already, in a tenth of the time, whether a row is sound.
    """
    types = tuple(map(type, row))
    if row[-1] != 1 or (types != _TYPES_WITHOUT_XATTRS and types != _TYPES_OF_ROW):
        return _checked(row)
    (
        _part, directory, name, kind, mode, uid, gid, size, mtime, mtime_ns, link, rdev, flags,
        sparse, target, digest, omitted, xattrs, inode, ctime_ns, generation, _seq, _is_sound,
    ) = cast("_SoundRow", row)  # fmt: skip
    _check_directory(directory)
    return new(Entry, (
        directory, name, _TYPES[kind], mode, uid, gid, size, mtime * SECOND + mtime_ns, link, rdev,
        flags, sparse, target, digest, _REASONS[omitted],
        {} if xattrs is None else decode_xattrs(xattrs),
        new(Seen, (inode, ctime_ns, generation)),
    ))  # fmt: skip


def _checked(row: tuple[object, ...]) -> Entry:
    """Turn a row into an entry, having checked every value: it says what is wrong."""
    (
        _part, kind, mode, uid, gid, size, mtime, mtime_ns, link, rdev, flags, sparse, omitted,
        inode, ctime_ns, generation, _seq,
    ) = _integers(_PICK_INTEGERS(row))  # fmt: skip
    directory, name, target, digest = _blobs(_PICK_BLOBS(row))
    _check_place(directory, name)
    if len(digest) not in {0, 32} or len(target) > paths.PATH_MAX or b"\0" in target:
        raise SecurityError(f"index: odd digest or target at {paths.display(name)!r}")
    return Entry(
        directory, name, _TYPES[kind], mode, uid, gid, size, mtime * SECOND + mtime_ns, link, rdev,
        flags, sparse, target, digest, _REASONS[omitted], decode_xattrs(row[_XATTRS]),
        Seen(inode, ctime_ns, generation),
    )  # fmt: skip


def _check_place(directory: bytes, name: bytes) -> None:
    if not directory and not name:
        return  # the root
    _check_directory(directory)
    paths.check_name(name)
    paths.check_path(paths.join(directory, name))


@lru_cache(maxsize=16)
def _check_directory(directory: bytes) -> None:
    """Check a directory once for all that is in it: entries come in their order."""
    paths.check_path(directory)
    if directory.count(b"/") >= _DEPTH:
        raise SecurityError(f"path too deep: {paths.display(directory[:300])!r}")


def _blobs(values: tuple[object, ...]) -> tuple[bytes, ...]:
    for column, value in zip(_BLOB_NAMES, values, strict=True):
        if not isinstance(value, bytes):
            raise SecurityError(f"index: {column} is no bytes but {type(value).__name__}")
    return cast("tuple[bytes, ...]", values)


def _integers(values: tuple[object, ...]) -> tuple[int, ...]:
    """Return the number columns, each checked against its range."""
    for (column, least, most), value in zip(_LIMITS, values, strict=True):
        if not isinstance(value, int) or not least <= value <= most:
            raise SecurityError(f"index: {column} is {value!r}, outside {least}..{most}")
    return cast("tuple[int, ...]", values)


def encode_xattrs(xattrs: Mapping[str, bytes]) -> str | None:
    """Write extended attributes as JSON with hexadecimal values, names sorted; None for none."""
    if not xattrs:
        return None
    return json.dumps({name: xattrs[name].hex() for name in sorted(xattrs)})


def decode_xattrs(text: object) -> Mapping[str, bytes]:
    """Read what encode_xattrs wrote.

    Raises:
        SecurityError: it is anything else.
    """
    if text is None:
        return {}
    if not isinstance(text, str) or len(text) > XATTRS_MAX * 3:
        raise SecurityError("index: extended attributes are no text or too long")
    try:
        return {name: bytes.fromhex(value) for name, value in json.loads(text).items()}
    except (ValueError, AttributeError, TypeError, RecursionError) as error:
        raise SecurityError(f"index: extended attributes cannot be read: {error}") from error
