"""Contents that went bad on the disk are sent again."""

from __future__ import annotations

import hashlib
import os
import resource
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import repair, trash
from holdstill.keeper.local import LocalKeeper
from holdstill.keeper.repair import RepairResult
from holdstill.model import names
from support import keeping
from support.keeping import Board, FakeClock

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


def bodies(board: LocalBoard) -> list[bytes]:
    """Return what each capture gives back for the content."""
    captures = [board.keeper.capture(brief.name) for brief in board.keeper.captures()]
    return [keeping.read_content(capture, BODY) for capture in captures]


def test_a_sound_content_stays_as_it_is(board: LocalBoard, store: Store) -> None:
    before = keeping.snapshot(store.root)

    assert repair.repair(store, DIGEST) is RepairResult.SOUND

    assert keeping.snapshot(store.root) == before


def test_a_bad_content_is_asked_for_again_and_then_right_everywhere(
    board: LocalBoard, store: Store
) -> None:
    rot(store.contents.path(DIGEST))
    assert bodies(board)[0] != BODY

    outcome = repair.repair(store, DIGEST)

    assert outcome is RepairResult.AWAITED
    assert repair.finish(store) == (DIGEST,)
    board.sent.clear()
    board.capture()
    assert board.sent == [DIGEST]
    assert repair.finish(store) == ()
    assert bodies(board) == [BODY] * 3
    assert [brief.faults for brief in board.keeper.captures()] == [()] * 3


def test_a_content_that_was_taken_out_is_asked_for_at_sealing(
    board: LocalBoard, store: Store
) -> None:
    """A board asks only about files that changed: this one did not."""
    rot(store.contents.path(DIGEST))
    repair.repair(store, DIGEST)
    begun = board.keeper.begin()
    data = board.attach(begun)

    answer = board.keeper.seal(data, board.signed(data))

    assert (answer.name, answer.lacking.send) == ("", (DIGEST,))


def test_where_nobody_can_tell_what_was_taken_out_all_is_looked_for_at_sealing(
    board: LocalBoard, store: Store
) -> None:
    store.contents.path(DIGEST).unlink()
    (store.root / "damaged").write_bytes(b"")
    begun = board.keeper.begin()
    data = board.attach(begun)

    answer = board.keeper.seal(data, board.signed(data))

    assert (answer.name, answer.lacking.send) == ("", (DIGEST,))


def test_a_content_that_is_gone_is_awaited_too(board: LocalBoard, store: Store) -> None:
    store.contents.path(DIGEST).unlink()

    assert repair.repair(store, DIGEST) is RepairResult.AWAITED
    board.capture()

    assert repair.finish(store) == ()
    assert bodies(board) == [BODY] * 3


@pytest.mark.parametrize("is_good", [True, False])
def test_a_copy_that_rests_in_the_trash_helps_if_it_is_good(
    board: LocalBoard, store: Store, *, is_good: bool
) -> None:
    path = store.contents.path(DIGEST)
    place = trash.new_place(store, board.clock.now())
    (place / DIGEST).write_bytes(BODY if is_good else b"rotten as well")
    rot(path)

    outcome = repair.repair(store, DIGEST)

    assert outcome is (RepairResult.SOUND if is_good else RepairResult.AWAITED)
    assert path.exists() == is_good
    assert list(place.iterdir()) == []


def test_a_bad_content_is_kept_for_a_look(board: LocalBoard, store: Store) -> None:
    rot(store.contents.path(DIGEST))

    repair.repair(store, DIGEST)

    kept = [p for p in (store.root / "damaged").iterdir() if p.suffix == ".bytes"]
    assert [p.read_bytes()[:1] for p in kept] == [b"A"]
    assert repair.finish(store) == (DIGEST,)


def test_bytes_that_are_good_after_all_are_put_back(board: LocalBoard, store: Store) -> None:
    """As after an hour in which the disk did not answer: nobody else has them."""
    repair.take_out(store, DIGEST)
    assert not store.contents.has(DIGEST)

    assert repair.finish(store) == ()

    assert bodies(board) == [BODY, BODY]
    assert list((store.root / "damaged").iterdir()) == []


def test_a_process_without_descriptors_is_no_verdict_about_a_content(store: Store) -> None:
    path, limits = store.contents.path(DIGEST), resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (0, limits[1]))
    try:
        with pytest.raises(OSError, match="Too many open files"):
            repair.is_good(path, DIGEST)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, limits)


def test_a_pipe_in_the_place_of_a_content_is_not_waited_for(
    board: LocalBoard, store: Store
) -> None:
    path = store.contents.path(DIGEST)
    path.unlink()
    os.mkfifo(path)

    assert repair.repair(store, DIGEST) is RepairResult.AWAITED

    board.clock.advance(60)
    board.capture()
    assert bodies(board) == [BODY] * 3
