from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import board_memory, capture_notes
from holdstill.keeper.ledger import LedgerFile
from support import keeping
from support.keeping import PIER_3, Board, FakeClock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store


def captured(store: Store, clock: FakeClock, known: Sequence[int]) -> None:
    """Seal captures of a machine that knows of these ones as the last."""
    for number in known:
        machine = Board(keeping.keeper_of(store, clock=clock), clock=clock, last_known=number)
        machine.capture()


def doubt(store: Store) -> str:
    file = LedgerFile(store.board_folder(PIER_3) / "ledger.jsonl")
    with file.held_for_reading() as ledger:
        return board_memory.doubt(ledger)


@pytest.fixture
def board(store: Store, clock: FakeClock) -> Board[LocalKeeper]:
    return Board(keeping.keeper_of(store, clock=clock), clock=clock)


def test_a_store_that_was_put_back_is_told_by_what_the_board_remembers(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    shutil.copytree(store.root, store.root.with_name("copy"))
    board.capture()
    board.capture()
    told_before = doubt(store)

    shutil.rmtree(store.root)
    store.root.with_name("copy").rename(store.root)
    Board(keeping.keeper_of(store, clock=clock), clock=clock, last_known=3).capture()
    told = doubt(store)
    capture_notes.accept(store, PIER_3, "the disk died", clock=clock)

    assert (told_before, doubt(store)) == ("", "")
    assert told == (
        "when it brought capture 2, it had brought capture 3 before: captures are lost here, or "
        "the store was put back from an older copy"
    )


@pytest.mark.parametrize(
    "known",
    [
        pytest.param((0, 1, 2, 3), id="one machine"),
        pytest.param((0, 1, 1, 3, 4), id="an old card, put back"),
        pytest.param((0, 1, 0, 3, 0, 5), id="set up anew, twice"),
        pytest.param((0, 1, 1, *range(3, 12), 1), id="old cards, long ago and now"),
    ],
)
def test_what_one_machine_may_remember_is_no_doubt(
    store: Store, clock: FakeClock, known: tuple[int, ...]
) -> None:
    captured(store, clock, known)

    assert doubt(store) == ""


def test_two_machines_that_take_turns_are_told(store: Store, clock: FakeClock) -> None:
    captured(store, clock, (0, 1, 1, 2))

    assert doubt(store) == (
        "captures 3, 4 are of a machine that did not know of the one before: if it is not an old "
        "card that was put back as often, two machines use its key"
    )


def test_what_was_lost_longest_ago_still_counts_among_the_last_ten(
    store: Store, clock: FakeClock
) -> None:
    captured(store, clock, (0, 2, *range(2, 11)))
    told = doubt(store)
    captured(store, clock, (11,))

    assert told.startswith("when it brought capture 2, it had brought capture 2 before")
    assert doubt(store) == ""


def test_what_is_accepted_is_accepted_also_where_lines_of_the_ledger_are_lost(
    store: Store, clock: FakeClock
) -> None:
    captured(store, clock, (0, 1, 2, 3, 4, 20))
    ledger = store.board_folder(PIER_3) / "ledger.jsonl"
    lines = ledger.read_bytes().splitlines(keepends=True)
    ledger.write_bytes(bytes(len(b"".join(lines[:4])) - 1) + b"\n" + b"".join(lines[4:]))
    told = doubt(store)

    capture_notes.accept(store, PIER_3, "zeros on the old disk", clock=clock)

    assert told.startswith("when it brought capture 6, it had brought capture 20 before")
    assert doubt(store) == ""
