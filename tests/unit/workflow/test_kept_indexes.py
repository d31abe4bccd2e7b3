from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import VerificationError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.workflow.kept_indexes import KeptIndexes
from support import keeping
from support.keeping import Board, FakeSignatures

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from support.keeping import FakeClock


@pytest.fixture
def captures(store: Store, clock: FakeClock) -> list[StoredCapture]:
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for number in range(3):
        board.files[b"%d" % number] = b"x"
        board.capture()
    shelf = BoardCaptures(store, keeping.PIER_3, FakeSignatures())
    return [shelf.capture(brief.name) for brief in shelf.briefs()]


def test_an_index_is_put_together_once(captures: list[StoredCapture], tmp_path: Path) -> None:
    kept = KeptIndexes(tmp_path)

    for _ in range(3):
        with kept.opened(captures[0], captures[0].manifest().index) as index:
            assert index.get(2, b"0") is not None

    assert len(list(tmp_path.glob("*.sqlite"))) == 1


def test_the_oldest_goes_and_stays_readable(captures: list[StoredCapture], tmp_path: Path) -> None:
    kept = KeptIndexes(tmp_path, most=1)

    with kept.opened(captures[0], captures[0].manifest().index) as first:
        for capture in captures:
            with kept.opened(capture, capture.manifest().index) as index:
                assert index.get(2, b"0") is not None
        assert first.get(2, b"0") is not None
        assert first.get(2, b"2") is None

    assert len(list(tmp_path.glob("*.sqlite"))) == 1


def test_a_lent_index_is_opened_again_after_it_went(
    captures: list[StoredCapture], tmp_path: Path
) -> None:
    folder = tmp_path / "indexes"
    folder.mkdir()
    kept = KeptIndexes(folder, most=1)

    with kept.lent(captures[0], captures[0].manifest().index) as open_index:
        for capture in captures:
            with kept.opened(capture, capture.manifest().index):
                pass
        for _ in range(2):
            with open_index() as index:
                assert index.get(2, b"0") is not None
                assert index.get(2, b"2") is None

    assert len(list(folder.iterdir())) == 1


def test_what_cannot_be_put_together_leaves_nothing(
    captures: list[StoredCapture], tmp_path: Path, store: Store
) -> None:
    for piece in store.contents.root.glob("*/*"):
        piece.unlink()

    with pytest.raises(VerificationError):
        KeptIndexes(tmp_path).opened(captures[0], captures[0].manifest().index).__enter__()

    assert list(tmp_path.glob("*.sqlite")) == []
