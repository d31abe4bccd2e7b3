"""A tree begun ahead is what would have been laid out anew, or is not used."""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.keeper import capture_tree_ahead, thin
from holdstill.keeper.capture_tree_ahead import TreeBase
from holdstill.model.settings import Retention
from holdstill.records.index_queries import PlacedEntry
from support import keeping
from support.keeping import MEMORY, PIER_3, Board, FakeClock, FakeSignatures, QuickDisk

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from holdstill.keeper.store_disk import StoreDisk

    LocalBoard = Board[LocalKeeper]

NAMES = st.sampled_from([b"a", b"b", b"etc", b"a.d", b"gauge\xff"])
PATHS = st.lists(NAMES, min_size=1, max_size=3).map(b"/".join)
TREES = st.dictionaries(
    PATHS, st.sampled_from([b"", b"1.42 m", b"1.43 m", b"1.44 m"]), max_size=12
)


class OneHandDisk(QuickDisk):
    hands = 1


def without_nested(files: Mapping[bytes, bytes]) -> dict[bytes, bytes]:
    """Drop files that lie below what is a file itself."""
    return {
        path: content
        for path, content in files.items()
        if not any(path.startswith(other + b"/") for other in files)
    }


def tree_of(top: Path) -> dict[str, bytes | None]:
    """Return what is in a tree, by another way than made it: None for a folder."""
    found: dict[str, bytes | None] = {}
    for folder, folders, files in os.walk(top):
        here = Path(folder).relative_to(top)
        found |= dict.fromkeys(str(here / name) for name in folders)
        found |= {str(here / name): Path(folder, name).read_bytes() for name in files}
    return found


def expected(files: Mapping[bytes, bytes]) -> dict[str, bytes | None]:
    """Return what a capture's tree must have: folders, and files that are not empty."""
    found: dict[str, bytes | None] = {}
    for path, content in files.items():
        parts = os.fsdecode(path).split("/")
        found |= {"/".join(parts[:depth]): None for depth in range(1, len(parts))}
        if content:
            found[os.fsdecode(path)] = content
    return found


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder in memory."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as made:
        yield Path(made)


def board_on(store: Store, clock: FakeClock) -> LocalBoard:
    return Board(keeping.keeper_of(store, clock=clock), clock=clock)


def captured_once(folder: Path, disk: StoreDisk) -> tuple[Store, LocalBoard]:
    """Make a store, and a board that has one file and one capture in it."""
    clock = FakeClock()
    store = keeping.make_store(folder / "boathouse", clock=clock, disk=disk)
    board = board_on(store, clock)
    board.files = {b"etc/hosts": b"pier-3"}
    board.capture()
    return store, board


@contextmanager
def made_elsewhere(store: Store) -> Iterator[None]:
    """Hold the lock that another process would while it makes the board's tree."""
    with (store.board_folder(PIER_3) / "ahead.lock").open("ab") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def base_of(board: LocalBoard, number: int) -> TreeBase:
    brief = board.keeper.captures()[number]
    return TreeBase(brief.name, brief.index, board.keeper.capture(brief.name).index_path)


def newest_tree(board: LocalBoard) -> Path:
    return board.keeper.capture(board.keeper.captures()[-1].name).tree_path(2)


@pytest.mark.parametrize("disk", [QuickDisk(), OneHandDisk()], ids=["meanwhile", "at-once"])
@given(nights=st.lists(TREES.map(without_nested), min_size=2, max_size=4))
def test_every_night_has_its_own_tree_whatever_the_night_before_was(
    disk: StoreDisk, nights: list[dict[bytes, bytes]]
) -> None:
    with tempfile.TemporaryDirectory(dir=MEMORY) as made:
        clock = FakeClock()
        store = keeping.make_store(Path(made, "boathouse"), clock=clock, disk=disk)
        board = board_on(store, clock)
        for files in nights:
            board.files = files
            board.capture()
            clock.advance(86_400)

        captures = [board.keeper.capture(brief.name) for brief in board.keeper.captures()]
        found = [tree_of(capture.tree_path(2)) for capture in captures]
    assert found == [expected(files) for files in nights]


def test_a_tree_that_was_not_used_serves_the_next_run(folder: Path) -> None:
    store, board = captured_once(folder, OneHandDisk())
    board.keeper.begin()
    board.keeper.abandon()
    (left,) = (store.board_folder(PIER_3) / "ahead").iterdir()
    inode = left.stat().st_ino

    board.capture()

    assert newest_tree(board).parent.stat().st_ino == inode


@pytest.mark.parametrize(("of", "left"), [(0, []), (1, ["000002-20261126T021503Z"])])
def test_thinning_leaves_the_tree_ahead_of_the_newest_capture_only(
    folder: Path, of: int, left: list[str]
) -> None:
    """Any other one could be all that holds a content."""
    clock = FakeClock()
    store = keeping.make_store(folder / "boathouse", clock=clock)
    board = board_on(store, clock)
    for files in ({b"f": b"1.42 m"}, {b"f": b"1.43 m"}):
        board.files = files
        board.capture()
        clock.advance(86_400)
    base = base_of(board, of)
    capture_tree_ahead.prepare(store, PIER_3, base)
    trees = store.board_folder(PIER_3) / "ahead"
    assert [tree.name for tree in trees.iterdir()] == [base.name]

    thin.delete_captures(store, PIER_3, Retention(), clock=clock, runner=FakeSignatures())

    assert [tree.name for tree in trees.iterdir()] == left


def test_a_tree_that_another_process_makes_is_waited_for_and_taken(folder: Path) -> None:
    store, board = captured_once(folder, QuickDisk())
    base = base_of(board, 0)
    with made_elsewhere(store):
        begun = capture_tree_ahead.begin(store, PIER_3, base)
        assert begun is not None
        begun.place.mkdir()

    layout = begun.take(folder / "tree", base.index_path, base.digest)

    assert layout is not None
    assert list((folder / "tree").iterdir()) == []  # what the other one made, and no more


def test_what_a_process_that_was_killed_has_begun_is_begun_anew(folder: Path) -> None:
    store, board = captured_once(folder, OneHandDisk())
    draft = store.board_folder(PIER_3) / "ahead" / f"{board.keeper.captures()[0].name}.part"
    (draft / "2/etc").mkdir(parents=True)
    (draft / "2/etc/hosts").write_bytes(b"half of it")

    board.capture()

    assert tree_of(newest_tree(board)) == {"etc": None, "etc/hosts": b"pier-3"}
    assert not draft.exists()


def test_a_run_that_ends_does_not_wait_for_another_process(folder: Path) -> None:
    store, board = captured_once(folder, QuickDisk())
    with made_elsewhere(store):
        board.keeper.begin()

        board.keeper.abandon()

        assert list((store.board_folder(PIER_3) / "ahead").iterdir()) == []


def test_a_tree_that_somebody_has_spoiled_is_laid_out_anew(folder: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(folder / "boathouse", clock=clock, disk=OneHandDisk())
    board = board_on(store, clock)
    board.files = {b"etc/hosts": b"pier-3", b"etc/fstab": b"UUID=1"}
    board.capture()
    begun = board.keeper.begin()
    (left,) = (store.board_folder(PIER_3) / "ahead").iterdir()
    shutil.rmtree(left / "2" / "etc")

    board.files = {b"etc/hosts": b"pier-3"}
    board.capture(begun)

    assert tree_of(newest_tree(board)) == {"etc": None, "etc/hosts": b"pier-3"}


def test_a_content_that_the_store_lost_is_asked_for_again(folder: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(folder / "boathouse", clock=clock)
    board = board_on(store, clock)
    board.files = {b"f": b"1.42 m"}
    board.capture()
    next(held.path for held in store.contents.all()).unlink()
    board.sent.clear()

    board.capture()

    assert len(board.sent) == 1
    assert tree_of(newest_tree(board)) == {"f": b"1.42 m"}


def test_parts_that_differ_too_much_are_not_compared_to_the_end() -> None:
    def endless(first: int) -> Iterator[PlacedEntry]:
        number = first
        while True:
            yield PlacedEntry(b"", b"%012d" % number, b"d" * 32, 6)
            number += 2

    assert capture_tree_ahead.compare(endless(0), endless(1)) is None


def test_a_file_of_another_size_is_another_file() -> None:
    before, after = (PlacedEntry(b"", b"f", b"d" * 32, size) for size in (6, 7))

    assert capture_tree_ahead.compare([before], [after]) == ([before], [after])
    assert capture_tree_ahead.compare([before], [before]) == ([], [])
