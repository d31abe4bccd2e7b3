"""What captures need, counted anew by request."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import account_captures, capture_notes, references
from holdstill.keeper.references import AccountedCapture
from support import keeping
from support.keeping import PIER_3, Board, FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store

Row = tuple[str, str, int, int | None]


@pytest.fixture
def board(tmp_path: Path) -> Board[LocalKeeper]:
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
def store(tmp_path: Path, board: Board[LocalKeeper]) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=board.clock)


def rows(store: Store) -> set[Row]:
    """Return (board, digest, first, last) as the database has them."""
    with closing(sqlite3.connect(store.root / references.NAME)) as db:
        found = db.execute(
            "SELECT name, hex(digest), first, last FROM span JOIN board ON board.id = board "
            "JOIN content ON content.id = content"
        )
        return {(name, digest, first, last) for name, digest, first, last in found}


def test_rows_that_were_lost_are_found_and_counted_anew(store: Store) -> None:
    before = rows(store)
    with closing(sqlite3.connect(store.root / references.NAME)) as db, db:
        db.execute("DELETE FROM span WHERE content % 3 = 0")

    told = account_captures.differences(store)
    complaints = account_captures.recount(store)

    assert told
    assert all(name.startswith("pier-3/00000") for name in told)
    assert complaints == ()
    assert rows(store) == before
    assert account_captures.differences(store) == ()


@pytest.mark.parametrize("content", [b"", b"no database" * 1000])
def test_a_file_that_is_no_database_is_counted_anew(store: Store, content: bytes) -> None:
    before = rows(store)
    (store.root / references.NAME).write_bytes(content)

    assert account_captures.recount(store) == ()
    assert rows(store) == before


def test_a_sound_database_stays_the_file_that_others_have_open(store: Store) -> None:
    inode = (store.root / references.NAME).stat().st_ino

    account_captures.recount(store)

    assert (store.root / references.NAME).stat().st_ino == inode


def test_what_cannot_be_read_is_told(store: Store) -> None:
    newest = max((store.board_folder(PIER_3) / "captures").iterdir())
    shutil.rmtree(newest)

    (complaint,) = account_captures.recount(store)

    assert complaint == f"{newest}: this capture is missing"


def test_counting_anew_forgets_no_capture_that_is_gone_with_its_ledger(
    store: Store, board: Board[LocalKeeper]
) -> None:
    folder, before = store.board_folder(PIER_3), rows(store)
    names = sorted(path.name for path in (folder / "captures").iterdir())
    away = folder.parent.parent / "away"
    (folder / "captures").rename(away)
    (folder / "captures").mkdir()
    (folder / "ledger.jsonl").write_bytes(b"")

    account_captures.recount(store)
    complaints = account_captures.recount(store)

    assert complaints == tuple(f"{folder / 'captures' / name}: this capture is missing"
                               for name in names)  # fmt: skip
    assert rows(store) == before
    assert keeping.collect(store, board.clock).contents == 0
    assert account_captures.missing(store, PIER_3) == tuple(names)


def test_captures_that_their_owner_gives_up_are_forgotten_and_the_others_stay(
    store: Store, board: Board[LocalKeeper]
) -> None:
    folder = store.board_folder(PIER_3) / "captures"
    gone, kept = sorted(path.name for path in folder.iterdir())
    shutil.rmtree(folder / gone)
    assert account_captures.missing(store, PIER_3) == (gone,)

    capture_notes.given_up(store, PIER_3, (gone,), clock=board.clock)
    account_captures.forget(store, PIER_3, (gone,))

    assert account_captures.missing(store, PIER_3) == ()
    assert keeping.collect(store, board.clock).complaints == ()
    assert [(brief.name, brief.faults) for brief in board.keeper.captures()] == [(kept, ())]
    assert board.capture().name


def test_a_board_whose_captures_are_given_up_is_still_one_of_the_stores(
    store: Store, board: Board[LocalKeeper]
) -> None:
    folder = store.board_folder(PIER_3)
    every = sorted(path.name for path in (folder / "captures").iterdir())

    account_captures.forget(store, PIER_3, every)
    folder.rename(store.root / "elsewhere")

    assert store.lost_boards() == (PIER_3,)
    assert store.known_boards.newest(PIER_3) == 0


def test_a_capture_that_another_process_counted_is_counted_once(
    store: Store, board: Board[LocalKeeper]
) -> None:
    newest = board.keeper.captures()[-1]
    before = rows(store)

    with references.opened(store) as held:
        held.load([(b"\xff" * 32, 7)])
        held.add(PIER_3, AccountedCapture(newest.seq, newest.name, newest.manifest))

    assert rows(store) == before


def test_a_capture_is_accounted_for_as_soon_as_it_is_sealed(
    store: Store, board: Board[LocalKeeper]
) -> None:
    board.clock.advance(86_400)
    board.files[b"srv/new"] = b"new"

    board.capture()

    with references.opened(store) as held:
        assert [capture.seq for capture in held.captures(PIER_3)] == [1, 2, 3]


def test_looking_for_differences_makes_no_database(store: Store) -> None:
    references.discard(store)

    assert account_captures.differences(store) == ()
    assert not (store.root / references.NAME).exists()
