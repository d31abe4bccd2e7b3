"""More names for one content than the file system of this machine allows."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import latest_tree
from holdstill.keeper.store_disk import StoreDisk
from holdstill.records import assembled
from support import keeping
from support.keeping import Board, FakeClock

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(240)


def test_seventy_thousand_names_of_one_content_are_captured_and_many_are_in_the_tree(
    tmp_path: Path,
) -> None:
    most = os.pathconf(tmp_path, "PC_LINK_MAX")
    if most > 70_000:
        pytest.skip(f"this file system allows {most} links")  # ext4: 65,000
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock, disk=StoreDisk())
    files = {b"%02d/%05d" % (n % 50, n): b"AS IS" for n in range(most + 500)}
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock, files=files)

    name = board.capture().name

    with assembled.opened_index(board.keeper.capture(name)) as index:
        assert index.totals(2).files == most + 500
    keeping.show_latest(store)
    tree = store.board_folder(keeping.PIER_3) / "latest" / "2"
    found = [path for path in tree.rglob("*") if path.is_file()]
    assert len(found) == latest_tree.LINKS_MOST - 1  # the store's own name is one of them
    assert {path.read_bytes() for path in found[::997]} == {b"AS IS"}
    assert [held.size for held in store.contents.all()].count(len(b"AS IS")) == 1
