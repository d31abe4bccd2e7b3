"""The open index: what is read from it and written to it."""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import SecurityError
from holdstill.model import paths

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator, Sequence

    from holdstill.model.entries import Entry

from holdstill.model.entries import LOCKED_NS, NO_XATTRS, EntryType
from holdstill.records.index_rows import entry_of, row_of, with_shared_directories
from holdstill.records.index_schema import (
    INSERT,
    IS_PENDING,
    SELECT,
    SELECT_BY_INODE,
    UNLIKE_LINKS,
)

# SELECT DISTINCT would read every row; this looks once for each part (a recursive WITH may stand
# in for a skip-scan: sqlite.org/lang_with.html, sqlite.org/optoverview.html).
_PARTS = """\
WITH RECURSIVE found(part) AS (
 SELECT min(part) FROM entry UNION ALL
 SELECT (SELECT min(part) FROM entry WHERE part > found.part) FROM found WHERE part NOT NULL)
SELECT part FROM found WHERE part NOT NULL"""


LINKS_SEEN = 100
"""Names of an inode that are looked at to find its first one in a folder."""


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
        self._db.execute(INSERT, row_of(part, entry, seq))

    def put_all(self, part: int, entries: Iterable[Entry], *, seq: int) -> None:
        """Insert or replace many entries."""
        self._db.executemany(INSERT, (row_of(part, entry, seq) for entry in entries))

    def remove(self, part: int, path: bytes) -> None:
        """Take out a path and everything below it."""
        directory, name = paths.split(path)
        where = "DELETE FROM entry WHERE part = ? AND "
        self._db.execute(where + "directory = ? AND name = ?", (part, directory, name))
        self._db.execute(where + "directory = ?", (part, path))
        self._db.execute(where + "directory >= ? AND directory < ?", (part, *_within(path)))

    def remove_part(self, part: int) -> None:
        """Take out everything of one partition."""
        self._db.execute("DELETE FROM entry WHERE part = ?", (part,))

    def get(self, part: int, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""
        key = (part, *paths.split(path))
        found = self._db.execute(
            SELECT + "WHERE part = ? AND directory = ? AND name = ?", key
        ).fetchone()
        return None if found is None else entry_of(found)

    def children(self, part: int, directory: bytes) -> list[Entry]:
        """Return the entries directly in a directory, in name order."""
        rows = self._db.execute(
            SELECT + "WHERE part = ? AND directory = ? AND name <> x'' ORDER BY name",
            (part, directory),
        )
        return [entry_of(row) for row in rows]

    def children_after(
        self, part: int, directory: bytes, *, after: bytes, limit: int
    ) -> list[Entry]:
        """Return at most limit entries directly in a directory behind a name, in name order."""
        return [entry_of(row) for row in self._behind(part, directory, after, limit)]

    def listed_after(
        self, part: int, directory: bytes, *, after: bytes, limit: int
    ) -> list[Entry]:
        """Return what `children_after` does, but for extended attributes: they may be long."""
        rows = self._behind(part, directory, after, limit)
        return [entry_of(row)._replace(xattrs=NO_XATTRS) for row in rows]

    def _behind(
        self, part: int, directory: bytes, after: bytes, limit: int
    ) -> Iterator[tuple[object, ...]]:
        return self._db.execute(
            SELECT + "WHERE part = ? AND directory = ? AND name > ? ORDER BY name LIMIT ?",
            (part, directory, after, limit),
        )

    def names(self, part: int, directory: bytes) -> Iterator[tuple[bytes, int]]:
        """Yield (name, inode) of what is directly in a directory, in name order; do not write."""
        yield from self._db.execute(
            "SELECT name, inode FROM entry WHERE part = ? AND directory = ? AND name <> x'' "
            "ORDER BY name",
            (part, directory),
        )

    def by_inode(self, part: int, inode: int) -> list[Entry]:
        """Return every name that the board's inode had."""
        rows = self._db.execute(SELECT_BY_INODE, (part, inode))
        return [entry_of(row) for row in rows]

    def digest_of_inode(self, part: int, inode: int) -> bytes:
        """Return the content that the board's inode had, b"" if it is not known."""
        return next((row.digest for row in self.by_inode(part, inode) if row.digest), b"")

    def locked(self, part: int) -> list[Entry]:
        """Return the folders that were encrypted and locked when they were last looked at."""
        where = "WHERE part = ? AND type = ? AND ctime_ns = ? ORDER BY directory, name"
        rows = self._db.execute(SELECT + where, (part, EntryType.DIRECTORY, LOCKED_NS))
        return [entry_of(row) for row in rows]

    def entries(self, part: int) -> Iterator[Entry]:
        """Yield all entries of a part in key order; do not write meanwhile."""
        rows = self._db.execute(SELECT + "WHERE part = ? ORDER BY directory, name", (part,))
        yield from map(entry_of, rows)

    def entries_after(self, part: int, after: tuple[bytes, bytes]) -> Iterator[Entry]:
        """Yield the entries of a part behind a key (directory, name), in key order."""
        rows = self._db.execute(
            SELECT + "WHERE part = ? AND (directory, name) > (?, ?) ORDER BY directory, name",
            (part, *after),
        )
        yield from map(entry_of, rows)

    def keys_after(
        self, part: int, after: tuple[bytes, bytes], limit: int
    ) -> Iterator[tuple[bytes, bytes]]:
        """Yield at most limit keys (directory, name) of a part behind one, in their order."""
        yield from self._db.execute(
            "SELECT directory, name FROM entry WHERE part = ? AND (directory, name) > (?, ?) "
            "AND name <> x'' ORDER BY directory, name LIMIT ?",
            (part, *after, limit),
        )

    def below(
        self, part: int, top: bytes, *, after: tuple[bytes, bytes] | None = None
    ) -> Iterator[Entry]:
        """Yield everything below a directory in key order: what is in one comes behind it.

        after: the key (directory, name) of an entry below it, to go on behind that.
        """
        where = SELECT + "WHERE part = ? AND name <> x'' AND "
        first, end = _within(top)
        if after is None or after[0] == top:
            within = where + "directory = ? AND name > ? ORDER BY name"
            name = after[1] if after else b""
            yield from map(entry_of, self._db.execute(within, (part, top, name)))
            after = first, b""
        deeper = where + "(directory, name) > (?, ?) AND directory < ? ORDER BY directory, name"
        yield from map(entry_of, self._db.execute(deeper, (part, *after, end)))

    def first_of_link(self, part: int, entry: Entry, top: bytes) -> bytes:
        """Return the path of an entry's first name below a directory, in key order.

        Its own where there is none among the first names of its inode from there on: they are
        looked at no further than LINKS_SEEN, since whoever made the index says how many there are.
        """
        found = self._db.execute(
            "SELECT directory, name FROM (SELECT directory, name, link, type FROM entry "
            "INDEXED BY entry_inode WHERE part = ? AND inode = ? AND directory >= ? "
            "ORDER BY directory, name LIMIT ?) "
            "WHERE (directory = ? OR directory >= ? AND directory < ?) AND link = ? AND type = ? "
            "ORDER BY directory, name LIMIT 1",
            (part, entry.seen.inode, top, LINKS_SEEN, top, *_within(top), entry.link,
             int(entry.type)),
        ).fetchone()  # fmt: skip
        return entry.path if found is None else paths.join(*found)

    def matching(self, part: int, is_wanted: Callable[[bytes, bytes], bool]) -> Iterator[Entry]:
        """Yield the entries of a part whose (directory, name) is wanted, in key order."""
        self._db.create_function("wanted", 2, is_wanted)
        rows = self._db.execute(
            SELECT + "WHERE part = ? AND wanted(directory, name) ORDER BY directory, name",
            (part,),
        )
        yield from map(entry_of, rows)

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

    def attach_older(self, uri: str) -> None:
        """Attach an index that was checked, by its URI, to compare with."""
        self._db.execute("ATTACH ? AS older", (uri,))

    def older_parts(self) -> list[int]:
        """Return the partitions that have entries in the older index."""
        return [part for (part,) in self._db.execute("SELECT DISTINCT part FROM older.entry")]

    def placed_changes(self, part: int, limit: int) -> tuple[list[PlacedEntry], list[PlacedEntry]]:
        """Return what of `placed` only the older index has, and what only this one.

        For an index from `opened_beside`. Both lists are in key order, and cut off behind limit.
        """
        return (
            self._placed_only("older", "main", part, limit),
            self._placed_only("main", "older", part, limit),
        )

    def _placed_only(self, here: str, there: str, part: int, limit: int) -> list[PlacedEntry]:
        rows = self._db.execute(
            f"SELECT directory, name, digest, size FROM {here}.entry AS one "  # noqa: S608  names from above
            "WHERE part = ? AND name <> x'' AND (type = 2 OR digest <> x'') AND NOT EXISTS ("
            f"SELECT 1 FROM {there}.entry AS other WHERE other.part = one.part "
            "AND other.directory = one.directory AND other.name = one.name "
            "AND other.digest = one.digest "
            "AND CASE one.digest WHEN x'' THEN other.type = 2 ELSE other.size = one.size END) "
            "ORDER BY directory, name LIMIT ?",
            (part, limit),
        )
        return [PlacedEntry._make(row) for row in rows]

    def contents_after(self, part: int, *, after: tuple[bytes, bytes], limit: int) -> list[Entry]:
        """Return at most limit files with a known content behind a key, in key order."""
        rows = self._db.execute(
            SELECT + "WHERE part = ? AND (directory, name) > (?, ?) AND digest <> x'' "
            "ORDER BY directory, name LIMIT ?",
            (part, *after, limit),
        )
        return [entry_of(row) for row in rows]

    def pending(
        self, part: int, *, after: tuple[bytes, bytes], limit: int, least: int = 0
    ) -> list[Entry]:
        """Return at most limit files behind a key whose content has not been hashed yet.

        least: bytes that they have at least.
        """
        rows = self._db.execute(
            SELECT + f"WHERE part = ? AND {IS_PENDING} AND (directory, name) > (?, ?) "
            "AND size >= ? ORDER BY directory, name LIMIT ?",
            (part, *after, least, limit),
        )
        return [entry_of(row) for row in with_shared_directories(rows)]

    def pending_totals(self, part: int) -> tuple[int, int]:
        """Return how many files, and bytes, have not been hashed yet; each inode once."""
        files, total = self._db.execute(
            "SELECT count(*), total(size) FROM ("  # noqa: S608
            "SELECT size FROM entry INDEXED BY entry_pending "
            f"WHERE part = :part AND {IS_PENDING} AND link = 0 UNION ALL "
            "SELECT max(size) FROM entry INDEXED BY entry_pending "
            f"WHERE part = :part AND {IS_PENDING} AND link <> 0 GROUP BY link)",
            {"part": part},
        ).fetchone()
        return int(files), int(total)

    def pending_sparse(self, part: int) -> Iterator[Entry]:
        """Yield the files with holes whose content has not been hashed yet."""
        rows = self._db.execute(
            SELECT + f"INDEXED BY entry_pending WHERE part = ? AND {IS_PENDING} AND sparse = 1",
            (part,),
        )
        for row in rows:
            yield entry_of(row)

    def omitted(self, part: int) -> Iterator[Entry]:
        """Yield the files whose content is left out although their entry is there."""
        rows = self._db.execute(SELECT + "WHERE part = ? AND omitted <> 0", (part,))
        for row in rows:
            yield entry_of(row)

    def set_digest(self, part: int, entry: Entry, digest: bytes, *, seq: int) -> None:
        """Record what a file's content is, at every name of its hard-link group.

        An empty digest makes it pending again.
        """
        self.set_digests(part, [(entry, digest)], seq=seq)

    def set_digests(self, part: int, found: Sequence[tuple[Entry, bytes]], *, seq: int) -> None:
        """Record what files' contents are, as `set_digest` does."""
        self._db.executemany(
            "UPDATE entry INDEXED BY entry_inode SET digest = ?, seq = ? "
            "WHERE part = ? AND inode = ? AND type = 1",
            [(digest, seq, part, entry.seen.inode) for entry, digest in found if entry.link],
        )
        self._db.executemany(
            "UPDATE entry SET digest = ?, seq = ? WHERE part = ? AND directory = ? AND name = ?",
            [
                (digest, seq, part, entry.directory, entry.name)
                for entry, digest in found
                if not entry.link
            ],
        )

    def forget(self, digests: Iterable[bytes]) -> None:
        """Make every file with one of these contents pending again; reads the index once."""
        with self._listed(digests):
            self._db.execute("UPDATE entry SET digest = x'' WHERE digest IN temp.listed")

    def all_holders(self, digests: Iterable[bytes]) -> dict[bytes, list[tuple[int, bytes]]]:
        """Return the (part, path) of all entries with these contents; reads the index once."""
        found: dict[bytes, list[tuple[int, bytes]]] = {}
        with self._listed(digests):
            rows = self._db.execute(
                "SELECT digest, part, directory, name FROM entry WHERE digest IN temp.listed"
            )
            for digest, part, directory, name in rows:
                found.setdefault(digest, []).append((part, paths.join(directory, name)))
        return found

    @contextmanager
    def _listed(self, digests: Iterable[bytes]) -> Iterator[None]:
        """Have digests in a table in memory for the length of the block."""
        self._db.execute("CREATE TEMP TABLE listed (digest BLOB PRIMARY KEY) WITHOUT ROWID")
        try:
            self._db.executemany(
                "INSERT OR IGNORE INTO temp.listed VALUES (?)", ((digest,) for digest in digests)
            )
            yield
        finally:
            self._db.execute("DROP TABLE temp.listed")

    def large(self, part: int, least: int) -> list[Entry]:
        """Return the files of a part with a known content of least bytes and more."""
        rows = self._db.execute(
            SELECT + "WHERE part = ? AND size >= ? AND digest <> x'' ORDER BY directory, name",
            (part, least),
        )
        return [entry_of(row) for row in rows]

    def newest_large(self, part: int, *, least: int, until: int, limit: int) -> list[Entry]:
        """Return at most limit files of `large`, those first that changed last.

        Args:
            part: the partition.
            least: bytes that they have at least.
            until: the last run whose rows count.
            limit: the most.
        """
        rows = self._db.execute(
            SELECT + "WHERE part = ? AND size >= ? AND digest <> x'' AND seq <= ? "
            "ORDER BY seq DESC, directory, name LIMIT ?",
            (part, least, until, limit),
        )
        return [entry_of(row) for row in rows]

    def digests(self, *, since: int = 0) -> Generator[tuple[bytes, int], None, None]:
        """Yield (digest, size) of distinct contents that runs numbered since or later set.

        In the order of digests: a table of them is filled from one end, in half the time.
        """
        yield from self._db.execute(
            "SELECT digest, size FROM entry WHERE digest <> x'' AND seq >= ? "
            "GROUP BY digest, size ORDER BY digest, size",
            (since,),
        )

    def holders(self, digest: bytes, limit: int = 10) -> list[tuple[int, bytes]]:
        """Return (part, path) of entries with this content, for reports; reads the whole index."""
        rows = self._db.execute(
            "SELECT part, directory, name FROM entry WHERE digest = ? LIMIT ?", (digest, limit)
        )
        return [(part, paths.join(directory, name)) for part, directory, name in rows]

    def parts(self) -> list[int]:
        """Return the partitions that have entries."""
        rows = self._db.execute(_PARTS)
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
        """Check that names listed as one inode have the same fields, and are no directories.

        Raises:
            SecurityError: naming the part and the group.
        """
        row = self._db.execute(UNLIKE_LINKS).fetchone()
        if row is not None:
            raise SecurityError(f"index, part {row[0]}: link group {row[1]} is not one inode")

    def commit(self) -> None:
        """Make what was written so far final."""
        self._db.commit()


def _within(top: bytes) -> tuple[bytes, bytes]:
    """Return the first path that may be within a directory, and the first behind all of them."""
    if not top:
        return b"\0", b"\xff" * paths.PATH_MAX
    return top + b"/", top + b"0"  # "0" follows "/"
