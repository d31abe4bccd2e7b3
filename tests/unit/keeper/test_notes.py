"""What an owner notes about a capture: shown with it, and part of the ledger's chain."""

from pathlib import Path

import pytest

from holdstill.errors import UsageError
from holdstill.keeper import capture_notes
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.store import Store
from support import keeping
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=clock)


@pytest.fixture
def name(store: Store, clock: FakeClock) -> str:
    with keeping.keeper_of(store, clock=clock) as keeper:
        return Board(keeper, clock=clock).capture().name


def noted(store: Store) -> list[str]:
    return [brief.note for brief in BoardCaptures(store, PIER_3, FakeSignatures()).briefs()]


def test_the_last_note_counts_and_an_empty_one_takes_it_back(
    store: Store, clock: FakeClock, name: str
) -> None:
    seen = [noted(store)]
    for text in ("before the upgrade", "the last good one", ""):
        capture_notes.note(store, PIER_3, name, text, clock=clock)
        seen.append(noted(store))

    assert seen == [[""], ["before the upgrade"], ["the last good one"], [""]]
    assert BoardCaptures(store, PIER_3, FakeSignatures()).ledger_faults() == ()


@pytest.mark.parametrize("text", ["two\nlines", "\x1b[2J", "x" * 201, "\u202eback"])
def test_a_note_that_could_do_harm_is_refused(
    store: Store, clock: FakeClock, name: str, text: str
) -> None:
    with pytest.raises(UsageError, match="one line of visible text"):
        capture_notes.note(store, PIER_3, name, text, clock=clock)

    assert noted(store) == [""]
