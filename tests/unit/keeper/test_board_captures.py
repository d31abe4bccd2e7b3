"""What a list says about captures that were tampered with, lost or left half-way."""

from __future__ import annotations

import fcntl
import os
import shutil
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError, VerificationError
from holdstill.keeper import board_captures, thin
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.local import LocalKeeper
from holdstill.model.settings import Retention
from support import keeping
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.system.process import Command

LocalBoard = Board[LocalKeeper]


@pytest.fixture
def board(tmp_path: Path) -> LocalBoard:
    """A board with three captures."""
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for reading in (b"1.42", b"1.43", b"1.44"):
        clock.advance(86_400)
        board.files[b"srv/reading"] = reading
        board.capture()
    return board


def faults_of(board: LocalBoard) -> list[tuple[str, ...]]:
    return [brief.faults for brief in board.keeper.captures()]


def folder_of(board: LocalBoard, number: int) -> Path:
    return board.keeper.capture(board.keeper.captures()[number].name).folder


def alter(path: Path, old: bytes, new: bytes) -> None:
    path.chmod(0o600)
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new, 1))


def test_good_captures_have_no_faults_and_are_in_order(board: LocalBoard) -> None:
    briefs = board.keeper.captures()

    assert [(brief.seq, brief.faults) for brief in briefs] == [(1, ()), (2, ()), (3, ())]
    first, *others = [brief.new_bytes for brief in briefs]
    assert 4 < others[0] == others[1] < first  # four bytes of a file, and pieces of the index
    hello = board.keeper.hello()
    assert hello.newest == briefs[-1]


def test_c11_altered_manifest_a_bit_flipped_in_a_manifest_shows(board: LocalBoard) -> None:
    alter(folder_of(board, 1) / "manifest.yaml", b"pier-3", b"pier-4")

    assert faults_of(board)[0] == faults_of(board)[2] == ()
    manifest = folder_of(board, 1) / "manifest.yaml"
    assert [str(manifest) in fault for fault in faults_of(board)[1]] == [True, True]
    assert faults_of(board)[1][0].startswith("bad checksum: its manifest is not the one that was")
    assert faults_of(board)[1][1].startswith("bad signature")


def test_a_bit_flipped_in_a_signature_shows(board: LocalBoard) -> None:
    path = folder_of(board, 2) / "manifest.yaml.sig"
    seal = path.read_bytes()
    alter(path, seal[:1], bytes([seal[0] ^ 1]))

    enrolment = folder_of(board, 2).parents[1] / "enrolment.yaml"
    assert faults_of(board)[2] == (f"bad signature: {path} is by none of the keys in {enrolment}",)
    newest = board.keeper.hello().newest
    assert newest is not None
    assert newest.seq == 2  # the newest good one is what the next capture is built on


def test_s34_a_signature_that_is_gone_is_no_licence(board: LocalBoard) -> None:
    (folder_of(board, 2) / "manifest.yaml.sig").unlink()

    assert "cannot be read" in faults_of(board)[2][0]
    with pytest.raises(VerificationError, match="cannot be read"):
        board_captures.check_good(board.keeper.capture(board.keeper.captures()[2].name))


def test_s32_a_withdrawn_capture_shows(board: LocalBoard) -> None:
    gone = folder_of(board, 1)
    shutil.rmtree(gone)

    assert faults_of(board) == [(), (f"missing from disk: {gone}",), ()]


def test_s32_an_old_capture_presented_as_the_newest_shows(board: LocalBoard) -> None:
    old, new = folder_of(board, 0), folder_of(board, 2)
    shutil.rmtree(new)
    shutil.copytree(old, new)

    assert any(fault.startswith("bad checksum: its manifest") for fault in faults_of(board)[2])


def test_s32_a_ledger_that_was_rolled_back_shows(board: LocalBoard) -> None:
    path = folder_of(board, 0).parents[1] / "ledger.jsonl"
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:2]))

    assert faults_of(board) == [(), (), (f"it is not in the ledger: {path}",)]


def test_s33_a_foreign_capture_shows(board: LocalBoard, tmp_path: Path) -> None:
    folder = folder_of(board, 2)
    shutil.copytree(folder, folder.with_name("000004-20261130T021503Z"))

    ledger = folder.parents[1] / "ledger.jsonl"
    assert faults_of(board)[3] == (f"it is not in the ledger: {ledger}",)
    with pytest.raises(SecurityError, match="not in the ledger"):
        board_captures.check_good(board.keeper.capture("000004-20261130T021503Z"))


def test_an_altered_ledger_is_named_at_every_capture_from_there_on(board: LocalBoard) -> None:
    ledger = folder_of(board, 0).parents[1] / "ledger.jsonl"
    alter(ledger, b'"seq":2', b'"seq":9')

    first, second, third = faults_of(board)
    assert first == ()
    # What a line says whose checksum is wrong counts for nothing.
    assert any("not in the ledger" in fault and str(ledger) in fault for fault in second)
    assert any("ledger, line 2" in fault and str(ledger) in fault for fault in third)


def test_i10_a_broken_ledger_stops_the_next_run_before_it_changes_anything(
    board: LocalBoard, tmp_path: Path
) -> None:
    alter(folder_of(board, 0).parents[1] / "ledger.jsonl", b'"seq":2', b'"seq":9')
    before = keeping.snapshot(tmp_path / "boathouse")

    with pytest.raises(SecurityError, match="chain is broken"):
        board.keeper.begin()

    assert keeping.snapshot(tmp_path / "boathouse") == before


def test_i10_a_ledger_that_was_rolled_back_stops_the_next_run(
    board: LocalBoard, tmp_path: Path
) -> None:
    path = folder_of(board, 0).parents[1] / "ledger.jsonl"
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:2]))
    before = keeping.snapshot(tmp_path / "boathouse")

    with pytest.raises(SecurityError, match="not in the ledger: 000003"):
        board.keeper.begin()

    assert keeping.snapshot(tmp_path / "boathouse") == before


def test_what_a_nas_leaves_among_the_captures_does_no_harm(board: LocalBoard) -> None:
    (folder_of(board, 0).parent / "@eaDir").mkdir()

    assert faults_of(board) == [(), (), ()]


def test_s36_odd_bytes_in_a_folders_name_are_no_capture(board: LocalBoard) -> None:
    odd = os.fsencode(folder_of(board, 0).parent) + b"/\x1b[2J\n"
    os.mkdir(odd)  # noqa: PTH102  bytes

    assert faults_of(board) == [(), (), ()]


class Meanwhile(FakeSignatures):
    """Does what another process may do while a signature is judged."""

    def __init__(self, board: LocalBoard, *, is_thinning: bool) -> None:
        self._board, self._is_thinning = board, is_thinning
        self.looks = 0

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        self.looks += 1
        shelf = self._board.keeper._shelf
        with shelf.ledger_file.path.open("rb") as ledger:
            fcntl.flock(ledger, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if self._is_thinning and self.looks == 1:
            newest = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
            thin.delete_captures(
                shelf.store, PIER_3, newest, clock=self._board.clock, runner=FakeSignatures()
            )
        return super().run(command, stdin=stdin)


@pytest.mark.parametrize("is_thinning", [False, True])
def test_who_lists_keeps_nobody_from_writing_to_the_ledger(
    board: LocalBoard, *, is_thinning: bool
) -> None:
    """Two sessions that list without end must not keep the owner waiting without end."""
    beside = Meanwhile(board, is_thinning=is_thinning)
    shelf = BoardCaptures(board.keeper._shelf.store, PIER_3, beside)

    listed = shelf.briefs()

    assert [brief.faults for brief in listed] == [()] * (2 if is_thinning else 3)
    assert shelf.newest_good() == listed[-1]
