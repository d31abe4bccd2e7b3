from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.model.entries import Entry, EntryType
from holdstill.rebuild.boot.captured_card import FOLDED_MOST, CapturedTree
from holdstill.records import index_file
from support import keeping
from support.contents import FolderContents

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.records.index_queries import Index

FOLDERS = FOLDED_MOST + 2
ENTRIES = [
    Entry(b"", b"", EntryType.DIRECTORY),
    *(Entry(b"", b"D%03d" % number, EntryType.DIRECTORY) for number in range(FOLDERS)),
    *(Entry(b"D%03d" % number, b"Kernel.img", EntryType.FILE) for number in range(FOLDERS)),
    Entry(b"D000", b"kernel.IMG", EntryType.FILE),
]


@pytest.fixture
def index(tmp_path: Path) -> Iterator[Index]:
    entries = sorted(ENTRIES, key=lambda entry: (entry.directory, entry.name))
    with index_file.opened(keeping.write_index(tmp_path / "index", {1: entries})) as index:
        yield index


def found(index: Index, folder: Path, path: bytes, *, ignores_case: bool) -> bytes | None:
    tree = CapturedTree(index, FolderContents(folder / "contents"), 1, ignores_case)
    entry = tree.find(path)
    return None if entry is None else entry.path


@pytest.mark.parametrize(
    ("path", "place"),
    [
        (b"", b""),
        (b"D000/Kernel.img", b"D000/Kernel.img"),
        (b"D000/kernel.IMG", b"D000/kernel.IMG"),
        (b"D000/KERNEL.IMG", b"D000/Kernel.img"),  # two that fit: the first in name order
        (b"d001/KERNEL.IMG", b"D001/Kernel.img"),
        (b"D001/initrd.img", None),
        (b"d999/KERNEL.IMG", None),
        (b"D001/KERNEL.IMG/x", None),
    ],
)
def test_names_on_a_fat_are_found_in_any_case(
    index: Index, tmp_path: Path, path: bytes, place: bytes | None
) -> None:
    assert found(index, tmp_path, path, ignores_case=True) == place


def test_elsewhere_case_counts(index: Index, tmp_path: Path) -> None:
    assert found(index, tmp_path, b"D001/KERNEL.IMG", ignores_case=False) is None


def test_more_folders_than_are_remembered_at_a_time_are_found(
    index: Index, tmp_path: Path
) -> None:
    tree = CapturedTree(index, FolderContents(tmp_path / "contents"), 1, ignores_case=True)

    paths = [b"d%03d/KERNEL.img" % number for number in (*range(FOLDERS), 0, 1)]

    assert all(tree.find(path) for path in paths)
