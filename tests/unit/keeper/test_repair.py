"""Contents that went bad on the disk: healed from a spare copy, or sent again."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import repair
from holdstill.keeper.local import LocalKeeper
from holdstill.keeper.repair import RepairResult
from holdstill.model import names
from support import keeping
from support.keeping import Board, FakeClock, QuickDisk

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store

LocalBoard = Board[LocalKeeper]
BODY = b"a reading of long ago\n"
DIGEST = names.check_digest(hashlib.sha256(BODY).hexdigest())


@pytest.fixture
def board(tmp_path: Path) -> LocalBoard:
    """A board with two captures that hold one content under three names."""
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    board.files = {b"srv/old": BODY, b"srv/older": BODY, b"etc/x": b"x"}
    board.capture()
    clock.advance(60)
    del board.files[b"srv/older"]
    board.capture()
    return board


@pytest.fixture
def store(board: LocalBoard) -> Store:
    return board.keeper._store


def rot(path: Path) -> None:
    """Change a byte behind everybody's back."""
    path.chmod(0o600)
    with path.open("r+b") as file:
        file.write(b"A")
    path.chmod(0o400)


def trees(board: LocalBoard, store: Store) -> list[bytes]:
    folders = [board.keeper.capture(b.name).tree_path(2) for b in board.keeper.captures()]
    return [p.read_bytes() for folder in folders for p in sorted((folder / "srv").iterdir())]


def test_a_sound_content_stays_as_it_is(board: LocalBoard, store: Store) -> None:
    before = keeping.snapshot(store.root)

    assert repair.repair(store, DIGEST) is RepairResult.SOUND

    assert keeping.snapshot(store.root) == before


def test_a_bad_content_is_asked_for_again_and_then_right_everywhere(
    board: LocalBoard, store: Store
) -> None:
    rot(store.contents.path(DIGEST))
    assert trees(board, store)[0] != BODY

    outcome = repair.repair(store, DIGEST)

    assert outcome is RepairResult.AWAITED
    assert repair.finish(store) == (DIGEST,)
    board.sent.clear()
    board.capture()
    assert board.sent == [DIGEST]
    assert repair.finish(store) == ()
    assert trees(board, store) == [BODY] * 4
    assert store.contents.path(DIGEST).stat().st_nlink == 5
    assert [brief.faults for brief in board.keeper.captures()] == [()] * 3


def test_a_content_that_is_gone_is_awaited_too(board: LocalBoard, store: Store) -> None:
    store.contents.path(DIGEST).unlink()

    assert repair.repair(store, DIGEST) is RepairResult.AWAITED
    board.capture()
    repair.finish(store)

    assert store.contents.path(DIGEST).stat().st_nlink == 5


def test_a_spare_copy_heals_the_first(board: LocalBoard, store: Store) -> None:
    first = store.contents.path(DIGEST)
    QuickDisk().clone(first, first.with_name(f"{DIGEST}.1"))
    rot(first)

    assert repair.repair(store, DIGEST) is RepairResult.HEALED

    assert first.read_bytes() == BODY
    assert trees(board, store) == [BODY] * 3
    assert repair.finish(store) == ()


def test_a_spare_copy_that_is_bad_itself_is_no_help(board: LocalBoard, store: Store) -> None:
    first = store.contents.path(DIGEST)
    QuickDisk().clone(first, first.with_name(f"{DIGEST}.1"))
    rot(first)
    rot(first.with_name(f"{DIGEST}.1"))

    assert repair.repair(store, DIGEST) is RepairResult.AWAITED

    assert [held for held in store.contents.all() if held.digest == DIGEST] == []


def test_mending_that_was_cut_off_is_done_again(board: LocalBoard, store: Store) -> None:
    rot(store.contents.path(DIGEST))
    repair.repair(store, DIGEST)
    board.capture()
    tree = board.keeper.capture(board.keeper.captures()[0].name).tree_path(2)
    (tree / "srv" / f".repair-{DIGEST[:16]}").write_bytes(b"left over")

    repair.finish(store)

    assert sorted(p.name for p in (tree / "srv").iterdir()) == ["old", "older"]
    assert trees(board, store) == [BODY] * 4


def test_the_only_copy_of_a_bad_content_is_kept_for_a_look(
    board: LocalBoard, store: Store
) -> None:
    lonely = store.contents.path(DIGEST)
    for brief in board.keeper.captures():
        tree = board.keeper.capture(brief.name).tree_path(2)
        for path in (tree / "srv").iterdir():
            path.unlink()
    rot(lonely)

    repair.repair(store, DIGEST)

    kept = [p for p in (store.root / "damaged").iterdir() if p.suffix == ".bytes"]
    assert [p.read_bytes()[:1] for p in kept] == [b"A"]
    assert repair.finish(store) == (DIGEST,)
