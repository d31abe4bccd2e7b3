"""The schema of the index, its SQL statements, and the limits of its columns."""

from __future__ import annotations

from holdstill.errors import VerificationError
from holdstill.model import layout, paths

APPLICATION_ID = 0x48534958  # "HSIX"


VERSION = 1


PAGE = 4096


SIZE_MAX = 4 << 30
"""Bytes of an index that we are willing to open."""


XATTRS_MAX = 128 << 10


SECOND = 1_000_000_000
"""Nanoseconds. mtimes are kept in two columns: in one, the years after 2262 would not fit."""


SCHEMA = """\
CREATE TABLE entry (
 part INTEGER NOT NULL, directory BLOB NOT NULL, name BLOB NOT NULL, type INTEGER NOT NULL,
 mode INTEGER NOT NULL, uid INTEGER NOT NULL, gid INTEGER NOT NULL, size INTEGER NOT NULL,
 mtime INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, link INTEGER NOT NULL, rdev INTEGER NOT NULL,
 flags INTEGER NOT NULL, sparse INTEGER NOT NULL, target BLOB NOT NULL, digest BLOB NOT NULL,
 omitted INTEGER NOT NULL, xattrs TEXT, inode INTEGER NOT NULL, ctime_ns INTEGER NOT NULL,
 generation INTEGER NOT NULL, project INTEGER NOT NULL, xflags INTEGER NOT NULL,
 extent_size INTEGER NOT NULL, cow_extent_size INTEGER NOT NULL, seq INTEGER NOT NULL,
 PRIMARY KEY (part, directory, name)) WITHOUT ROWID"""


INODES = "CREATE INDEX entry_inode ON entry (part, inode)"


IS_PENDING = "digest = x'' AND size > 0 AND type = 1 AND omitted = 0"


PENDING = f"CREATE INDEX entry_pending ON entry (part, directory, name) WHERE {IS_PENDING}"


_COLUMNS = (
    "part, directory, name, type, mode, uid, gid, size, mtime, mtime_ns, link, rdev, flags, "
    "sparse, target, digest, omitted, xattrs, inode, ctime_ns, generation, project, "
    "xflags, extent_size, cow_extent_size, seq"
)


COLUMN_NAMES = tuple(_COLUMNS.replace(",", " ").split())


_INTEGER_LIMITS = {
    "part": (1, layout.DISK_STEP * layout.DISKS_MAX * layout.SUBVOLUME_STEP),
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
    "project": (0, 2**32 - 1),
    "xflags": (0, 2**32 - 1),
    "extent_size": (0, 2**32 - 1),
    "cow_extent_size": (0, 2**32 - 1),
    "seq": (0, 999_999_999),
}


LIMITS = [(name, *_INTEGER_LIMITS[name]) for name in COLUMN_NAMES if name in _INTEGER_LIMITS]


_MARKS = ", ".join("?" * len(COLUMN_NAMES))


INSERT = f"INSERT OR REPLACE INTO entry ({_COLUMNS}) VALUES ({_MARKS})"  # noqa: S608


_IN_RANGE = " AND ".join(f"{name} BETWEEN {least} AND {most}" for name, least, most in LIMITS)


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


SELECT = f"SELECT {_COLUMNS}, {_IS_SOUND} FROM entry "  # noqa: S608  nothing from outside


# Without statistics, SQLite would rather read all rows of a part than use an index.
SELECT_BY_INODE = SELECT + "INDEXED BY entry_inode WHERE part = ? AND inode = ?"


UNLIKE_LINKS = (
    "SELECT part, link FROM entry WHERE link <> 0 GROUP BY part, link HAVING "
    "max(type) <> min(type) OR max(type = 2) OR max(digest) <> min(digest) "
    "OR max(size) <> min(size) OR max(target) <> min(target) OR max(mode) <> min(mode) "
    "OR max(rdev) <> min(rdev) LIMIT 1"
)


class DamagedIndexError(VerificationError):
    """An index of our own is no sound SQLite file any more."""
