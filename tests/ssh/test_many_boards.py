"""Several boards capture at once; tests/bench/keeper measures fifty."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper.board_captures import BoardCaptures
from holdstill.system.process import LocalRunner
from support import boathouse, concurrent_captures

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(180)


def test_six_boards_at_once_all_get_their_capture(tmp_path: Path) -> None:
    with boathouse.running(tmp_path) as house:
        boards = [house.enrol(f"pier-{number}") for number in range(1, 7)]

        taken = concurrent_captures.capture_at_once(house, boards)

        for board, capture in zip(boards, taken, strict=True):
            briefs = BoardCaptures(house.store, board, LocalRunner()).briefs()
            assert [(brief.name, brief.faults) for brief in briefs] == [(capture.name, ())]
        digests = {
            hashlib.sha256(body).hexdigest()
            for number in range(6)
            for body in concurrent_captures.files_of(number).values()
        }
        assert digests <= {held.digest for held in house.store.contents.all()}
        assert list(house.store.trash.iterdir()) == []
