"""Captures that a ledger lost, or had as forgotten, come in by the board's signature."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError, VerificationError
from holdstill.keeper import (
    account_captures,
    capture_notes,
    deletion,
    references,
    take_in,
    thin,
)
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.ledger import ThinnedEvent
from holdstill.model.settings import Retention
from support import keeping
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store

    LocalBoard = Board[LocalKeeper]

NEWEST_THREE = Retention(days=0, weeks=0, months=0, years=0, at_least=3)


@pytest.fixture
def board(store: Store, clock: FakeClock) -> LocalBoard:
    """A board with four captures."""
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for reading in range(4):
        clock.advance(60)
        board.files[b"srv/reading"] = b"reading %d" % reading
        board.capture()
    return board


def taken_in(store: Store, clock: FakeClock) -> tuple[str, ...]:
    return take_in.take_in(BoardCaptures(store, PIER_3, FakeSignatures()), clock=clock)


def names_of(board: LocalBoard) -> list[str]:
    return [brief.name for brief in board.keeper.captures()]


@pytest.mark.parametrize("kept_lines", [0, 2])
def test_a_ledger_that_was_lost_or_rolled_back_is_filled_from_what_the_board_signed(
    board: LocalBoard, store: Store, clock: FakeClock, kept_lines: int
) -> None:
    before = board.keeper.captures()
    ledger = store.board_folder(PIER_3) / "ledger.jsonl"
    ledger.write_bytes(b"".join(ledger.read_bytes().splitlines(keepends=True)[:kept_lines]))
    with pytest.raises(SecurityError, match="not in the ledger"):
        board.keeper.begin()

    taken = taken_in(store, clock)

    assert list(taken) == [brief.name for brief in before[kept_lines:]]
    after = board.keeper.captures()
    assert [brief.faults for brief in after] == [()] * 4
    assert [(b.name, b.manifest, b.entries) for b in after] == [
        (b.name, b.manifest, b.entries) for b in before
    ]
    assert keeping.collect(store, clock).complaints == ()
    assert account_captures.differences(store) == ()
    assert board.capture().name.startswith("000005")
    assert [brief.faults for brief in board.keeper.captures()] == [()] * 5


def test_a_number_that_another_capture_has_is_not_taken_in_a_second_time(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    folder = store.board_folder(PIER_3)
    lost = folder / "captures" / names_of(board)[3]
    lost.rename(store.root / "lost")
    lines = (folder / "ledger.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "ledger.jsonl").write_bytes(b"".join(lines[:3]))
    references.discard(store)
    store.known_boards.forget(PIER_3)
    clock.advance(60)
    (again,) = {board.capture().name} - {lost.name}
    (store.root / "lost").rename(lost)
    sound = (folder / "ledger.jsonl").read_bytes()

    with pytest.raises(VerificationError, match=f"same number: {lost.name} and {again}"):
        taken_in(store, clock)

    assert (folder / "ledger.jsonl").read_bytes() == sound
    lost.rename(store.root / "lost")
    assert taken_in(store, clock) == ()
    assert keeping.collect(store, clock).complaints == ()


def test_one_that_nobody_signed_keeps_all_out(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    folder = store.board_folder(PIER_3)
    (folder / "ledger.jsonl").write_bytes(b"")
    seal = folder / "captures" / names_of(board)[2] / "manifest.yaml.sig"
    seal.chmod(0o600)
    seal.write_bytes(b"x" + seal.read_bytes()[1:])

    with pytest.raises(
        SecurityError, match=f"no key of pier-3 signed this as capture {seal.parent.name}"
    ):
        taken_in(store, clock)

    assert (folder / "ledger.jsonl").read_bytes() == b""


def test_a_capture_under_another_ones_name_is_none(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    """A signed one that somebody renames stays what its manifest says."""
    folder = store.board_folder(PIER_3) / "captures"
    newest = names_of(board)[-1]
    shutil.copytree(folder / newest, folder / newest.replace("000004-", "000009-"))

    with pytest.raises(SecurityError, match="no key of pier-3 signed this as capture 000009-"):
        taken_in(store, clock)


def test_a_forgotten_capture_that_is_put_back_is_told_and_taken_in_again(
    board: LocalBoard, store: Store, clock: FakeClock, tmp_path: Path
) -> None:
    folder, names = store.board_folder(PIER_3) / "captures", names_of(board)
    shutil.copytree(folder / names[1], tmp_path / "copy")
    shutil.rmtree(folder / names[1])
    capture_notes.given_up(store, PIER_3, (names[1],), clock=clock)
    account_captures.forget(store, PIER_3, (names[1],))
    assert keeping.collect(store, clock, grace=3 * 86_400).complaints == ()
    assert names_of(board) == [names[0], *names[2:]]

    shutil.copytree(tmp_path / "copy", folder / names[1])
    with pytest.raises(SecurityError, match="not in the ledger"):
        board.keeper.begin()
    assert taken_in(store, clock) == (names[1],)

    assert names_of(board) == names
    assert [brief.faults for brief in board.keeper.captures()] == [()] * 4
    assert keeping.collect(store, clock).complaints == ()  # its content came back from the trash
    assert board.capture().name


def test_a_deleted_capture_that_is_put_back_is_told_and_taken_in_again(
    board: LocalBoard, store: Store, clock: FakeClock, tmp_path: Path
) -> None:
    folder, names = store.board_folder(PIER_3) / "captures", names_of(board)
    shutil.copytree(folder / names[0], tmp_path / "copy")
    thin.delete_captures(store, PIER_3, NEWEST_THREE, clock=clock, runner=FakeSignatures())
    assert names_of(board) == names[1:]

    shutil.copytree(tmp_path / "copy", folder / names[0])
    with pytest.raises(SecurityError, match="not in the ledger"):
        board.keeper.begin()
    assert (folder / names[0]).is_dir()
    assert taken_in(store, clock) == (names[0],)

    assert names_of(board) == names
    assert keeping.collect(store, clock).complaints == ()
    verdicts = thin.delete_captures(
        store, PIER_3, NEWEST_THREE, clock=clock, runner=FakeSignatures()
    )
    assert [verdict.is_kept for verdict in verdicts] == [True] * 4  # it is pinned
    assert board.capture().name


@pytest.mark.parametrize("is_in_ledger", [True, False])
def test_a_deletion_that_was_cut_off_is_finished_or_given_up(
    board: LocalBoard, store: Store, clock: FakeClock, *, is_in_ledger: bool
) -> None:
    names = names_of(board)
    shelf = BoardCaptures(store, PIER_3, FakeSignatures())
    with shelf.ledger_file.held_for_writing(store.disk) as ledger:
        deletion.note(store, PIER_3, names[:2])
        if is_in_ledger:
            event = ThinnedEvent(captures=tuple(names[:2]))
            shelf.ledger_file.append(ledger, [event], at="2026-11-25T02:15:03Z", disk=store.disk)
    left = names[2:] if is_in_ledger else names
    assert names_of(board) == left  # no stranger meanwhile

    board.keeper.begin()

    assert sorted(path.name for path in shelf.folder.iterdir()) == left
    assert deletion.under_way(store, PIER_3) == frozenset()


def test_contents_come_back_from_the_trash_with_the_captures_that_need_them(
    board: LocalBoard, store: Store, clock: FakeClock, tmp_path: Path
) -> None:
    """Folders that were away, forgotten by their owner, are put back within the days of grace."""
    folder = store.board_folder(PIER_3)
    needed = sorted(held.digest for held in store.contents.all())
    shutil.copytree(folder, tmp_path / "copy")
    for path in (folder / "captures").iterdir():
        shutil.rmtree(path)
    gone = account_captures.missing(store, PIER_3)
    capture_notes.given_up(store, PIER_3, gone, clock=clock)
    account_captures.forget(store, PIER_3, gone)
    for held in store.contents.all():
        os.utime(held.path, times=(0, 0))
    assert keeping.collect(store, clock, grace=3 * 86_400).contents == len(needed)

    shutil.rmtree(folder)
    shutil.copytree(tmp_path / "copy", folder)
    assert account_captures.recount(store) == ()

    assert sorted(held.digest for held in store.contents.all()) == needed
    assert [brief.faults for brief in board.keeper.captures()] == [()] * 4
