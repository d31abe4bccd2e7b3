"""Odd things in a store's own places: they are named, stop nobody who can do without, and what
is behind a symlink is not the store's to delete.
"""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError, LinkError, MachineError
from holdstill.keeper import account_captures, garbage, odd_places, references, repair, thin
from holdstill.keeper import store as stores
from holdstill.keeper.local import LocalKeeper
from holdstill.model import names
from holdstill.model.settings import Retention
from support import keeping
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures
from support.random_store import sha256

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.keeper.store import Store

LocalBoard = Board[LocalKeeper]
RUN = "0123456789abcdef"
DIGEST = names.check_digest("ab" * 32)
BOARD = "boards/pier-3"
FOLDERS = (
    "trash", "damaged", "content/ab", *(f"{BOARD}/{name}" for name in (
        "captures", "incoming", "outgoing", "sealing", "latest")),
)  # fmt: skip


@pytest.fixture
def board(tmp_path: Path) -> LocalBoard:
    """A board with two captures."""
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for reading in (b"1.42", b"1.43"):
        clock.advance(60)
        board.files[b"srv/reading"] = reading
        board.capture()
    return board


@pytest.fixture
def store(board: LocalBoard) -> Store:
    return board.keeper._store


@pytest.mark.parametrize("name", ["ledger.jsonl", "enrolment.yaml", "manifest.yaml"])
def test_a_document_that_is_a_symlink_is_named(store: Store, name: str) -> None:
    (path, *_) = sorted((store.root / BOARD).rglob(name))
    path.rename(store.root.parent / name)
    path.symlink_to(store.root.parent / name)

    (line,) = odd_places.found(store)

    assert line.startswith(f"{path}: a symlink is in the place of a file of the store")


def a_folder(path: Path) -> None:
    path.mkdir()
    (path / "kept").touch()


def a_loop(path: Path) -> None:
    path.symlink_to(path.name)


def rubbish(path: Path) -> None:
    path.write_bytes(b"\x1b[2J")


def shut(path: Path) -> None:
    path.touch(mode=0o000)


def test_a_sound_store_has_nothing_odd(store: Store) -> None:
    assert odd_places.found(store) == ()


def test_contents_that_are_gone_as_a_whole_are_told_in_one_line(store: Store) -> None:
    (store.root / "content").rename(store.root.with_name("elsewhere"))

    (line,) = odd_places.found(store)

    assert line.startswith(f"{store.root}/content: the folder of all contents is gone; what to do")


@pytest.mark.parametrize("make", [a_folder, a_loop, os.mkfifo, rubbish, shut])
def test_what_is_odd_in_sealing_is_named_and_the_board_goes_on(
    board: LocalBoard, store: Store, make: Callable[[Path], None]
) -> None:
    odd = store.root / BOARD / "sealing/bb.json"
    make(odd)

    (line,) = odd_places.found(store)
    listed = board.keeper.captures()
    complaints = account_captures.bring_up_to_date(store)
    board.clock.advance(60)
    sealed = board.capture()

    assert line.startswith(f"{odd}: ")
    assert "; what to do: " in line
    assert [brief.faults for brief in listed] == [(), ()]
    assert complaints == ()
    assert sealed.name.startswith("000003-")
    assert not os.path.lexists(odd)


@pytest.mark.parametrize("make", [a_folder, a_loop, os.mkfifo])
# sqlite.org/tempfiles.html, 2.1 to 2.3: the journals, and the index of the second one.
@pytest.mark.parametrize("suffix", ["", "-journal", "-wal", "-shm"])
def test_references_that_cannot_be_opened_are_made_again(
    board: LocalBoard, store: Store, make: Callable[[Path], None], suffix: str
) -> None:
    path = store.root / f"{references.NAME}{suffix}"
    path.unlink(missing_ok=True)
    make(path)

    with pytest.raises(references.UnsoundReferencesError, match=references.NAME):
        account_captures.differences(store)
    board.files[b"srv/reading"] = b"1.44"
    board.clock.advance(60)
    sealed = board.capture()

    assert sealed.name.startswith("000003-")
    if suffix:
        make(path)
    assert account_captures.recount(store) == ()
    assert account_captures.differences(store) == ()
    assert (store.root / references.NAME).is_file()


def test_a_board_is_forgotten_without_its_references(store: Store) -> None:
    (store.root / references.NAME).unlink()
    (store.root / references.NAME).mkdir()

    account_captures.forget_board(store, PIER_3)

    assert store.lost_boards() == ()
    assert not (store.root / references.NAME).exists()


def lead_away(store: Store, name: str, elsewhere: Path) -> Path:
    """Put a symlink in the place of a folder, to one with names that are ours, and files."""
    path = store.root / name
    elsewhere.mkdir()
    for found in path.glob("*"):
        found.rename(elsewhere / found.name)
    for folder in (RUN, "contents-20000101T000000Z", "discarded-00", "2"):
        (elsewhere / folder).mkdir()
        (elsewhere / folder / DIGEST).write_bytes(b"somebody's")
        os.utime(elsewhere / folder, (0, 0))
    for file in ("somebodys.txt", "aa.json", DIGEST, f"{DIGEST}.bytes"):
        (elsewhere / file).write_bytes(b"somebody's")
        os.utime(elsewhere / file, (0, 0))
    if path.exists():
        path.rmdir()
    path.symlink_to(elsewhere)
    return path


def deeds(board: LocalBoard, store: Store) -> dict[str, Callable[[], object]]:
    """Return all that empties folders of a store."""
    newest = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
    clock, runner = board.clock, FakeSignatures()
    return {
        "capture": board.capture,
        "thin": lambda: thin.delete_captures(store, PIER_3, newest, clock=clock, runner=runner),
        "collect": lambda: garbage.collect(
            store, clock=clock, grace=timedelta(0), min_free=1 << 60
        ),
        "repair": lambda: repair.repair(store, DIGEST),
        "finish": lambda: repair.finish(store),
        "recount": lambda: account_captures.recount(store),
        "make again": lambda: account_captures.make_again(store),
    }


@pytest.mark.parametrize("name", FOLDERS)
@pytest.mark.parametrize(
    "deed", ["capture", "thin", "collect", "repair", "finish", "recount", "make again"]
)
def test_nothing_behind_a_symlink_is_deleted(
    board: LocalBoard, store: Store, tmp_path: Path, name: str, deed: str
) -> None:
    path = lead_away(store, name, tmp_path / "elsewhere")
    before = keeping.snapshot(tmp_path / "elsewhere")
    board.files[b"srv/reading"] = b"1.44"
    board.clock.advance(10 * 86_400)

    with suppress(HoldstillError):
        deeds(board, store)[deed]()

    assert before.items() <= keeping.snapshot(tmp_path / "elsewhere").items()
    if path.is_symlink():  # a tree to look at is made anew
        (line,) = odd_places.found(store)
        assert line.startswith(f"{path}: a symlink ")


@pytest.mark.parametrize("name", ["trash", f"{BOARD}/incoming", f"{BOARD}/sealing"])
def test_a_run_is_refused_where_a_folder_is_a_symlink(
    board: LocalBoard, store: Store, tmp_path: Path, name: str
) -> None:
    path = lead_away(store, name, tmp_path / "elsewhere")

    with pytest.raises(MachineError, match=f"{path} is a symlink") as caught:
        board.capture()

    assert caught.value.hint.startswith("nothing behind it was touched")


def test_a_content_is_missed_where_nobody_can_tell_what_was_damaged(
    board: LocalBoard, store: Store
) -> None:
    digest = names.check_digest(sha256(b"1.43"))
    store.contents.path(digest).unlink()
    (store.root / "damaged").write_bytes(b"no folder")
    board.sent.clear()
    begun = board.keeper.begin()
    data = board.attach(begun)

    lacking = board.keeper.seal(data, board.signed(data)).lacking

    assert lacking.send == (digest,)


@pytest.mark.parametrize("make", [os.mkfifo, os.mkdir])
@pytest.mark.parametrize("name", [stores.REMEMBERED, stores.WATCHED])
def test_a_pipe_or_a_directory_for_a_memory_is_named_and_in_nobodys_way(
    tmp_path: Path, name: str, make: Callable[[Path], None]
) -> None:
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    path = store.root / name
    path.unlink(missing_ok=True)
    make(path)

    assert list(store.lost_boards()) == []
    assert any(text.startswith(f"{path}: ") for text in odd_places.found(store))
    Board(keeping.keeper_of(store, clock=clock), clock=clock).capture()


def test_a_pipe_in_the_place_of_a_ledger_is_not_waited_for(
    board: LocalBoard, store: Store
) -> None:
    ledger = store.root / BOARD / "ledger.jsonl"
    ledger.unlink()
    os.mkfifo(ledger)

    with pytest.raises(LinkError, match="not a regular file"):
        board.keeper.captures()

    assert any(
        line.startswith(f"{ledger}: a pipe is in the place") for line in odd_places.found(store)
    )
