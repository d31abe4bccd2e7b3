"""The names of one directory, however many there are: beyond a limit they wait on disk."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.filesystems.ext4.directory_blocks import DOTS_SIZE, Hashed, Name, record_size

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator

IN_MEMORY = 20_000
SCHEMA = (
    "CREATE TABLE child (name BLOB NOT NULL, inode INTEGER NOT NULL, type INTEGER NOT NULL, "
    "hash INTEGER NOT NULL, minor INTEGER NOT NULL)"
)


class DirectoryEntries:
    """The names of one directory, in the order in which they are added or of their hashes."""

    def __init__(
        self, database: sqlite3.Connection, hash_name: Callable[[bytes], tuple[int, int]]
    ) -> None:
        self._database = database
        self._hash_name = hash_name
        self._recent: list[Name] = []
        self._has_rows = False
        self.directories = 0
        self.size = DOTS_SIZE

    def add(self, name: Name, *, directories: int) -> None:
        """Add a name; directories is 1 when it is a directory, else 0."""
        self._recent.append(name)
        self.directories += directories
        self.size += record_size(name.name)
        if len(self._recent) >= IN_MEMORY:
            self._spill()

    def _spill(self) -> None:
        self._database.executemany(
            "INSERT INTO child VALUES (?, ?, ?, ?, ?)",
            ((*name, *self._hash_name(name.name)) for name in self._recent),
        )
        self._recent.clear()
        self._has_rows = True

    def in_order(self) -> Iterator[Name]:
        """Yield the names as they were added."""
        if self._has_rows:
            self._spill()
            for name, inode, kind, _hash, _minor in self._rows("rowid"):
                yield Name(name, inode, kind)
        yield from self._recent

    def by_hash(self) -> Iterator[Hashed]:
        """Yield the names in the order of their hashes."""
        if self._has_rows:
            self._spill()
            for name, inode, kind, value, minor in self._rows("hash, minor, rowid"):
                yield Hashed(value, minor, Name(name, inode, kind))
        yield from sorted(Hashed(*self._hash_name(name.name), name) for name in self._recent)

    def _rows(self, order: str) -> Iterator[tuple[bytes, int, int, int, int]]:
        query = f"SELECT name, inode, type, hash, minor FROM child ORDER BY {order}"  # noqa: S608
        yield from self._database.execute(query)

    def forget(self) -> None:
        """Drop the names that wait on disk."""
        if self._has_rows:
            self._database.execute("DELETE FROM child")
