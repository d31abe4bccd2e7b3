"""Checks a whole index that may come from anybody."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType, Omitted
from holdstill.records import attributes

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.records.index_queries import Index

from holdstill.records.index_file import opened


def check(path: Path) -> None:
    """Read a whole index that may come from anybody, and check every row.

    Rows must be in range and in order, paths well-formed, every entry in a listed directory, and
    the names of one inode must agree about it.

    Of an index in which little changed every row is checked, too: for 150,000 entries that takes
    about 2 s of a server's processor (tests/bench/keeper/sealing.py). Only rows that differ from
    those of a checked index would be quicker, and would need a second set of rules for them.

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
        if entry.type is EntryType.FILE:
            wanted = entry.size > 0 and entry.omitted is Omitted.NOTHING
            _require(bool(entry.digest) == wanted, part, entry, "content and size disagree")
        else:
            plain = not entry.digest and entry.size == 0 and entry.omitted is Omitted.NOTHING
            _require(plain, part, entry, "only a regular file has content")
        _require(
            bool(entry.target) == (entry.type is EntryType.SYMLINK),
            part,
            entry,
            "odd symlink target",
        )
    _require(
        index.get(part, b"") is not None, part, Entry(b"", b"", EntryType.DIRECTORY), "no root"
    )


def _require(good: bool, part: int, entry: Entry, complaint: str) -> None:  # noqa: FBT001  an assertion
    if not good:
        raise SecurityError(f"index, part {part}, {paths.display(entry.path)!r}: {complaint}")
