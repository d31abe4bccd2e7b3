"""Each board is judged alone: what is wrong with one is a line, and the others are done."""

from __future__ import annotations

import errno
import json
import os
import sqlite3
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import main
from holdstill.errors import BusyError, SecurityError, UsageError
from holdstill.keeper import enrolment, references
from holdstill.keeper import store as stores
from holdstill.keeper.references import AccountedCapture
from holdstill.model import names
from holdstill.workflow import each_board
from support import keeping
from support.keeping import OTHER_KEY, PIER_3, PIER_4, FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A store with pier-3 and pier-4."""
    clock = FakeClock()
    made = keeping.make_store(tmp_path / "boathouse", clock=clock)
    enrolment.enrol(made, PIER_4, OTHER_KEY, clock=clock, limits=None)
    return made


def read(store: Store, board: str | None = None) -> each_board.EachBoard[str]:
    return each_board.do(store, board, lambda name: enrolment.read(store, name).board)


DAMAGED_DATABASE = sqlite3.DatabaseError("file is not a database")
DAMAGED_DATABASE.sqlite_errorcode = sqlite3.SQLITE_NOTADB


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (BusyError("a session is open", hint="wait"), 3),
        (SecurityError("a manifest was altered", hint="look"), 9),
        (PermissionError(errno.EACCES, os.strerror(errno.EACCES), "/srv/x"), 4),
        (RecursionError("too deep"), 7),
        (DAMAGED_DATABASE, 7),
    ],
)
def test_h10_what_fails_for_one_board_keeps_no_other_from_being_done(
    store: Store, error: Exception, code: int
) -> None:
    def deed(board: BoardName) -> str:
        if board == PIER_3:
            raise error
        return f"done for {board}"

    found = each_board.do(store, None, deed)

    assert found.results == {PIER_4: "done for pier-4"}
    (trouble,) = found.troubles
    assert (trouble.board, trouble.exit_code, found.exit_code) == ("pier-3", code, code)
    assert trouble.problem
    assert trouble.hint
    assert "\n" not in trouble.sentence


def test_the_exit_code_is_the_worst_and_0_without_any(store: Store) -> None:
    def deed(board: BoardName) -> str:
        raise {PIER_3: SecurityError("altered"), PIER_4: BusyError("held")}[board]

    assert each_board.do(store, None, deed).exit_code == 9
    assert read(store).exit_code == 0


def test_a_fault_of_ours_is_none_of_the_board(store: Store) -> None:
    def deed(board: BoardName) -> str:
        raise KeyError(board)

    with pytest.raises(KeyError):
        each_board.do(store, None, deed)


@pytest.mark.parametrize("document", [b"board: [", b"\xff", b"", b"board: pier-3\nkeys: 3\n"])
def test_m1_a_damaged_enrolment_is_a_line_with_a_next_step(store: Store, document: bytes) -> None:
    path = store.board_folder(PIER_3) / "enrolment.yaml"
    path.write_bytes(document)

    found = read(store)

    assert found.results == {PIER_4: PIER_4}
    (trouble,) = found.troubles
    assert trouble.exit_code == 7
    assert str(path) in trouble.sentence
    assert "; what to do: " in trouble.sentence
    assert "\n" not in trouble.sentence


@pytest.mark.parametrize("name", ["slipway-1", "Slipway 1", "lost+found", ".hidden"])
def test_h20_a_folder_without_enrolment_or_of_an_odd_name_is_a_line(
    store: Store, name: str
) -> None:
    (store.root / "boards" / name).mkdir()

    found = read(store)

    assert list(found.results) == [PIER_3, PIER_4]
    assert [(each.board, each.exit_code) for each in found.troubles] == [(name, 7)]
    assert str(store.root / "boards" / name) in found.troubles[0].problem


def account_for(store: Store, board: BoardName) -> None:
    with references.opened(store) as held:
        held.load([(b"\1" * 32, 1)])
        held.add(board, AccountedCapture(1, "000001-20260101T000000Z", "ab" * 32))


def test_h20_a_board_that_only_the_references_remember_is_missed(store: Store) -> None:
    account_for(store, PIER_4)
    store.board_folder(PIER_4).rename(store.root.parent / "away")
    (store.root / stores.REMEMBERED).unlink()

    found = read(store)

    assert found.results == {PIER_3: PIER_3}
    (trouble,) = found.troubles
    assert (trouble.board, trouble.exit_code) == (PIER_4, 7)
    assert "the folder of this board is gone" in trouble.problem
    assert read(store, PIER_4).troubles == (trouble,)


@pytest.mark.parametrize("command", ["list", "verify", "thin", "status", "watch"])
def test_h20_contents_of_boards_that_nothing_is_known_of_are_told_by_every_command(
    store: Store, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    digest = names.check_digest("ab" * 32)
    store.contents.path(digest).write_bytes(b"somebody's")
    settings = store.root.parent / "keeper.yaml"
    settings.write_text(f"store: {store.root}\n", encoding="utf-8")
    for board in (PIER_3, PIER_4):
        store.board_folder(board).rename(store.root.parent / board)
    (store.root / stores.REMEMBERED).unlink()
    none = ("--settings", str(store.root.parent / "none.yaml"))
    words = {
        "status": ("status", *none, "--keeper-settings", str(settings)),
        "watch": ("keeper", "watch", "--settings", str(settings)),
    }.get(command, (command, "--store", str(store.root)))

    code = main.run(list(words))

    shown = capsys.readouterr()
    said = " ".join((shown.out + shown.err).split())
    assert code == 7
    assert f"{store.contents.root}: there are contents, and no board is in" in said
    assert f"put {store.root / 'boards'} and boards.txt back from a copy" in said
    assert "no boards" not in said


def test_a_file_among_the_boards_is_a_line(store: Store) -> None:
    (store.root / "boards" / "notes").write_bytes(b"buy rope")

    assert [each.board for each in read(store).troubles] == ["notes"]


def test_a_board_that_is_named_is_done_alone(store: Store) -> None:
    (store.root / "boards" / "Odd").mkdir()

    found = read(store, "pier-4")

    assert (found.results, found.troubles) == ({PIER_4: PIER_4}, ())
    with pytest.raises(UsageError, match="slipway-1 is not enrolled"):
        read(store, "slipway-1")


def test_m1_list_goes_on_beside_damaged_boards_and_tells_each_in_a_line(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    (store.board_folder(PIER_3) / "enrolment.yaml").write_bytes(b"board: [")
    (store.root / "boards" / "Odd").mkdir()

    code = main.run(["list", "--store", str(store.root)])

    shown = capsys.readouterr()
    assert code == 7
    assert shown.out == "pier-4: no captures yet\n"
    assert [line.split(":")[0] for line in shown.err.splitlines()] == ["Odd", "pier-3"]


def test_m1_the_json_of_list_carries_the_troubles(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    (store.root / "boards" / "Odd").mkdir()

    code = main.run(["list", "--json", "--store", str(store.root)])

    said = json.loads(capsys.readouterr().out)
    assert code == 7
    assert said["boards"] == {"pier-3": [], "pier-4": []}
    assert [each["board"] for each in said["troubles"]] == ["Odd"]


def test_m1_rehearse_of_all_boards_tells_of_each_that_cannot_be_done(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    (store.board_folder(PIER_3) / "enrolment.yaml").write_bytes(b"board: [")

    code = main.run(["rehearse", "--store", str(store.root)])

    lines = capsys.readouterr().err.splitlines()
    assert code == 7
    assert [line.split(":")[0] for line in lines] == ["pier-3", "pier-4"]
    assert "has no capture yet" in lines[1]


def test_one_console_is_not_that_of_all_boards(
    store: Store, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main.run(["rehearse", "--store", str(store.root), "--log", str(tmp_path / "log")])

    assert code == 2
    assert "name the board" in capsys.readouterr().err
