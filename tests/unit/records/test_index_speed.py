"""Lookups must use the indexes: without statistics SQLite prefers to read every row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.model.entries import Entry, EntryType, Seen
from holdstill.records import index_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.records.index_queries import Index

ROWS = 20_000


def entry(number: int) -> Entry:
    directory = b"d%d" % (number // 20)
    return Entry(
        directory, b"%d" % number, EntryType.FILE, size=1, link=number + 11,
        digest=bytes(32) if number else b"", seen=Seen(number + 11, 5, 1),
    )  # fmt: skip


@pytest.fixture
def index(tmp_path: Path) -> Iterator[Index]:
    with index_file.created(tmp_path / "index") as made:
        made.put_all(2, (entry(number) for number in range(ROWS)), seq=1)
        yield made


LOOKUPS: dict[str, Callable[[Index], object]] = {
    "by_inode": lambda index: index.by_inode(2, 4711),
    "get": lambda index: index.get(2, b"d235/4700"),
    "children": lambda index: index.children(2, b"d235"),
    "names": lambda index: list(index.names(2, b"d235")),
    "children_after": lambda index: index.children_after(2, b"d235", after=b"4700", limit=5),
    "pending": lambda index: index.pending(2, after=(b"", b""), limit=5),
    "pending_totals": lambda index: index.pending_totals(2),
    "set_digest": lambda index: index.set_digest(2, entry(4700), bytes(32), seq=2),
    "remove": lambda index: index.remove(2, b"d235"),
}


@pytest.mark.parametrize("lookup", LOOKUPS)
def test_a_lookup_reads_few_rows(index: Index, lookup: str) -> None:
    steps = 0

    def count() -> int:
        nonlocal steps
        steps += 100
        return 0

    index._db.set_progress_handler(count, 100)
    LOOKUPS[lookup](index)
    index._db.set_progress_handler(None, 0)

    assert steps < ROWS  # of SQLite's own program; reading every row takes several each


def test_names_come_with_their_inodes_in_name_order(index: Index) -> None:
    found = list(index.names(2, b"d235"))

    assert found == sorted(found)
    assert found[0] == (b"4700", 4711)
    assert len(found) == 20


def test_rows_behind_a_name_come_in_order_and_no_more_than_wanted(index: Index) -> None:
    found = index.children_after(2, b"d235", after=b"4700", limit=2)

    assert [row.name for row in found] == [b"4701", b"4702"]
