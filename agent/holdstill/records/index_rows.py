"""Rows of the index to and from entries; every value is checked: anybody may have made a row."""

from __future__ import annotations

import json
from functools import lru_cache
from operator import itemgetter
from typing import TYPE_CHECKING, cast

from holdstill.errors import SecurityError
from holdstill.model import paths
from holdstill.model.entries import (
    NO_XATTRS,
    NO_XFLAGS,
    Entry,
    EntryType,
    Omitted,
    Seen,
    Xflags,
    new,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

from holdstill.records.index_schema import COLUMN_NAMES, LIMITS, SECOND, XATTRS_MAX

_BLOB_NAMES = ("directory", "name", "target", "digest")


_DIRECTORY, _XATTRS = COLUMN_NAMES.index("directory"), COLUMN_NAMES.index("xattrs")


_PICK_INTEGERS = itemgetter(*(COLUMN_NAMES.index(name) for name, _, _ in LIMITS))


_PICK_BLOBS = itemgetter(*(COLUMN_NAMES.index(name) for name in _BLOB_NAMES))


_TYPES, _REASONS = {int(kind): kind for kind in EntryType}, tuple(Omitted)


_DEPTH = paths.DEPTH_MAX - 1
"""Slashes in a directory from which on the path of a name in it is too deep."""


_TYPES_OF_ROW = tuple(
    bytes if name in _BLOB_NAMES else str if name == "xattrs" else int
    for name in (*COLUMN_NAMES, "is sound")
)


_TYPES_WITHOUT_XATTRS = tuple(type(None) if kind is str else kind for kind in _TYPES_OF_ROW)


_Row = tuple[int | bytes | str | None, ...]


_SoundRow = tuple[
    int, bytes, bytes, int, int, int, int, int, int, int, int, int, int, int, bytes, bytes, int,
    str | None, int, int, int, int, int, int, int, int, int,
]  # fmt: skip


def with_shared_directories(rows: Iterable[tuple[object, ...]]) -> Iterator[tuple[object, ...]]:
    """Yield rows in the order of keys so that those of one directory have one bytes object for it.

    Thousands of entries are held at a time, and paths are the largest part of them.
    """
    last: object = b""
    for row in rows:
        if row[_DIRECTORY] == last:
            yield (*row[:_DIRECTORY], last, *row[_DIRECTORY + 1 :])
        else:
            last = row[_DIRECTORY]
            yield row


def row_of(part: int, entry: Entry, seq: int) -> _Row:
    """Return the columns of an entry, in the order of COLUMN_NAMES."""
    # A ctime as SQLite can hold it; one past 2262 becomes one that equals no other.
    storable = entry.seen.ctime_ns if -(2**63) <= entry.seen.ctime_ns < 2**63 else 0
    return (
        part, entry.directory, entry.name, int(entry.type), entry.mode, entry.uid, entry.gid,
        entry.size, *divmod(entry.mtime_ns, SECOND), entry.link, entry.rdev, entry.flags,
        entry.sparse, entry.target, entry.digest, int(entry.omitted), encode_xattrs(entry.xattrs),
        entry.seen.inode, storable, entry.seen.generation, entry.project, *entry.xflags, seq,
    )  # fmt: skip


def entry_of(row: tuple[object, ...]) -> Entry:
    """Turn a row into an entry; a row that no agent of ours wrote is refused.

    SQLite has found out already, in a tenth of the time, whether a row is sound.
    """
    types = tuple(map(type, row))
    if row[-1] != 1 or (types != _TYPES_WITHOUT_XATTRS and types != _TYPES_OF_ROW):
        return _checked(row)
    (
        _part, directory, name, kind, mode, uid, gid, size, mtime, mtime_ns, link, rdev, flags,
        sparse, target, digest, omitted, xattrs, inode, ctime_ns, generation, project, xflags,
        extent_size, cow_extent_size, _seq, _is_sound,
    ) = cast("_SoundRow", row)  # fmt: skip
    _check_directory(directory)
    return new(Entry, (
        directory, name, _TYPES[kind], mode, uid, gid, size, mtime * SECOND + mtime_ns, link, rdev,
        flags, sparse, target, digest, _REASONS[omitted],
        NO_XATTRS if xattrs is None else decode_xattrs(xattrs),
        new(Seen, (inode, ctime_ns, generation)), project,
        Xflags(xflags, extent_size, cow_extent_size) if xflags else NO_XFLAGS,
    ))  # fmt: skip


def _checked(row: tuple[object, ...]) -> Entry:
    """Turn a row into an entry after checking every value; the error names the wrong one."""
    (
        _part, kind, mode, uid, gid, size, mtime, mtime_ns, link, rdev, flags, sparse, omitted,
        inode, ctime_ns, generation, project, xflags, extent_size, cow_extent_size, _seq,
    ) = _integers(_PICK_INTEGERS(row))  # fmt: skip
    values = _PICK_BLOBS(row)
    for column, value in zip(_BLOB_NAMES, values, strict=True):
        if not isinstance(value, bytes):
            raise SecurityError(f"index: {column} is no bytes but {type(value).__name__}")
    directory, name, target, digest = cast("tuple[bytes, ...]", values)
    _check_place(directory, name)
    if len(digest) not in {0, 32} or len(target) > paths.PATH_MAX or b"\0" in target:
        raise SecurityError(f"index: odd digest or target at {paths.display(name)!r}")
    return Entry(
        directory, name, _TYPES[kind], mode, uid, gid, size, mtime * SECOND + mtime_ns, link, rdev,
        flags, sparse, target, digest, _REASONS[omitted], decode_xattrs(row[_XATTRS]),
        Seen(inode, ctime_ns, generation), project,
        Xflags(xflags, extent_size, cow_extent_size) if xflags else NO_XFLAGS,
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


def _integers(values: tuple[object, ...]) -> tuple[int, ...]:
    """Return the number columns, each checked against its range."""
    for (column, least, most), value in zip(LIMITS, values, strict=True):
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
