"""kill -9 of a real keeper in the middle of its work, at points all over a capture."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import board_captures
from holdstill.keeper import store as stores
from support import keeping, killed_process
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from holdstill.keeper.local import LocalKeeper

pytestmark = pytest.mark.timeout(300)
STRIDE = 2
"""Every fourth call: a process is started for each. test_store_cuts has them all."""


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A store with one capture of pier-3, on a real disk."""
    store = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    board: Board[LocalKeeper] = Board(keeping.keeper_of(store, clock=FakeClock()))
    board.files = {b"usr/a": b"A" * 40_000, b"srv/c": b"C"}
    board.capture()
    return store.root


def killed_at(root: Path, number: int) -> subprocess.CompletedProcess[bytes]:
    tests = Path(killed_process.__file__).parents[1]
    return subprocess.run(
        [sys.executable, killed_process.__file__, root, str(number)],
        env=os.environ | {"PYTHONPATH": os.fspath(tests)},
        capture_output=True,
        check=False,
        timeout=60,
    )


def test_i1_i2_a_keeper_killed_anywhere_leaves_every_sealed_capture_whole(root: Path) -> None:
    """Each victim finds what the one before left, and one of them gets through in the end."""
    shelf = board_captures.BoardCaptures(stores.open_store(root), PIER_3, FakeSignatures())
    first = shelf.briefs()[0].name
    before = keeping.snapshot(shelf.folder / first)
    deaths, sealed = 0, ""

    for number in range(1, 400, STRIDE):
        done = killed_at(root, number)
        briefs = shelf.briefs()
        assert briefs[0].faults == ()
        assert keeping.snapshot(shelf.folder / first) == before
        for brief in briefs[1:]:
            assert brief.faults in {(), (board_captures.INTERRUPTED,)}
        for held in shelf.store.contents.all():
            assert hashlib.sha256(held.path.read_bytes()).hexdigest() == held.digest
        if done.returncode == 0:
            sealed = done.stdout.decode()
            break
        assert done.returncode == -9, done.stderr
        deaths += 1

    assert deaths >= 8
    assert sealed in {brief.name for brief in shelf.briefs() if not brief.faults}
