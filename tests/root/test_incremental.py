"""A second capture sends what changed, and nothing that the store has already."""

import json
import os
import time
from contextlib import suppress
from pathlib import Path

import pytest

from holdstill.keeper.store import open_store
from holdstill.model.names import Digest
from holdstill.records import assembled, manifest_file
from support import boards
from support.boards import Board, holdstill

MIB = 1 << 20
DIRECTORIES, EACH = 200, 100
CHANGED, SIZE = 100, 24_000


def fill(board: Board) -> None:
    """Make 20,000 small files of distinct contents."""
    for number in range(DIRECTORIES):
        folder = board.root / "home" / f"{number:03d}"
        folder.mkdir(parents=True)
        for file in range(EACH):
            (folder / f"file-with-some-name-{file:02d}").write_bytes(b"%d/%d" % (number, file))


def change(board: Board) -> None:
    for number in range(CHANGED):
        path = (
            board.root / "home" / f"{number * 2:03d}" / f"file-with-some-name-{number % EACH:02d}"
        )
        path.write_bytes(os.urandom(SIZE))


def inodes(tree: Path) -> dict[str, int]:
    """Return the inode of every file below a folder, by its path."""
    return {
        os.path.relpath(os.path.join(folder, name), tree): os.lstat(f"{folder}/{name}").st_ino  # noqa: PTH118
        for folder, _, names in os.walk(tree)
        for name in names
    }


def shown_after(store: Path, capture: str) -> Path:
    """Wait until the tree of the newest capture shows it: made when the board has gone."""
    end = time.monotonic() + 60
    while True:
        for shows in store.glob("boards/*/latest/capture"):  # not there while it is changed
            with suppress(FileNotFoundError):
                if shows.read_text(encoding="ascii").startswith(capture):
                    return shows.parent
        assert time.monotonic() < end, "the keeper has not refreshed the tree"
        time.sleep(0.1)


def captured(settings: Path) -> dict[str, int]:
    report: dict[str, int] = json.loads(holdstill("capture", "--settings", settings, "--json"))
    return report


@pytest.mark.timeout(180)
def test_a_hundred_changes_in_twenty_thousand_files_cost_a_hundred_changes(tmp_path: Path) -> None:
    with boards.running(tmp_path, size=384 * MIB, mkfs=["-N", "40000"]) as board:
        fill(board)
        with boards.kept(tmp_path, board) as kept:
            first = captured(kept.settings)

            change(board)
            second = captured(kept.settings)
            third = captured(kept.settings)
            tree = inodes(shown_after(kept.store, "000003-") / "2")

    assert len(tree) == DIRECTORIES * EACH + 1
    assert first["hashed_bytes"] > 0
    assert second["hashed_bytes"] == CHANGED * SIZE
    assert CHANGED * SIZE < second["new_bytes"] <= CHANGED * SIZE + 3 * MIB  # the index, in part
    assert CHANGED * SIZE <= second["wire_bytes"] <= 1.2 * CHANGED * SIZE + 3 * MIB
    assert third["hashed_bytes"] == 0
    assert third["new_bytes"] <= 64 << 10
    assert third["wire_bytes"] <= 64 << 10


@pytest.mark.timeout(120)
def test_contents_that_another_board_brought_are_not_sent_again(tmp_path: Path) -> None:
    content = os.urandom(4 * MIB)
    with boards.running(tmp_path, size=256 * MIB) as board:
        (board.root / "one").write_bytes(content)
        with boards.kept(tmp_path, board) as kept:
            captured(kept.settings)
            (board.root / "two").write_bytes(content)
            (board.root / "one").rename(board.root / "three")

            second = captured(kept.settings)

    assert second["new_bytes"] < 64 << 10  # of the index
    assert second["wire_bytes"] < MIB


@pytest.mark.timeout(120)
def test_an_index_that_the_keepers_disk_has_spoiled_is_sent_again(tmp_path: Path) -> None:
    with boards.running(tmp_path, size=256 * MIB) as board:
        (board.root / "home").mkdir()
        (board.root / "home" / "readings").write_bytes(b"1.42 m")
        with boards.kept(tmp_path, board) as kept:
            captured(kept.settings)
            captures = kept.store / "boards/pier-3/captures"
            (first,) = captures.iterdir()
            manifest = manifest_file.decode((first / "manifest.yaml").read_bytes())
            store = open_store(kept.store)
            for digest, _ in assembled.read_list(store.contents, manifest.index).pieces():
                path = store.contents.path(Digest(digest.hex()))
                path.chmod(0o600)
                path.write_bytes(bytes(path.stat().st_size))

            captured(kept.settings)

            (second,) = set(captures.iterdir()) - {first}
            manifest = manifest_file.decode((second / "manifest.yaml").read_bytes())
            with assembled.as_file(store.contents, manifest.index):
                pass  # every piece was checked
            tree = shown_after(kept.store, "000002-") / "2"
            assert (tree / "home/readings").read_bytes() == b"1.42 m"
