"""Whether a capture would boot is judged once, beside the capture, and never in its way."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.disks import boot_gap
from holdstill.disks.boot_gap import GapExtent
from holdstill.errors import HoldstillError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.model.boot import BootVerdict
from holdstill.model.settings import KeeperSettings
from holdstill.records import manifest_file
from holdstill.workflow import after_capture, judge_boot
from support import keeping
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store
    from holdstill.model.protocol import CaptureBrief


@pytest.fixture
def board(store: Store, clock: FakeClock) -> Board[LocalKeeper]:
    gap = boot_gap.encode([GapExtent(440, b"boot code")])
    return Board(keeping.keeper_of(store, clock=clock), clock=clock, gap=gap)


def briefs(store: Store) -> tuple[CaptureBrief, ...]:
    return BoardCaptures(store, PIER_3, FakeSignatures()).briefs()


def test_the_newest_capture_is_judged_once(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    board.capture()
    clock.advance(60)
    board.capture()
    ledger = BoardCaptures(store, PIER_3, FakeSignatures()).ledger_file.path

    judge_boot.note_newest(store, PIER_3, FakeSignatures(), clock=clock)
    once = ledger.read_bytes()
    judge_boot.note_newest(store, PIER_3, FakeSignatures(), clock=clock)

    older, newest = briefs(store)
    assert older.boot is None
    assert newest.boot is not None
    assert (newest.boot.verdict, newest.boot.lacking) == (BootVerdict.UNKNOWN, ())
    assert ledger.read_bytes() == once


def test_a_capture_that_lost_its_index_is_not_judged_and_stands_in_nobodys_way(
    store: Store, clock: FakeClock, board: Board[LocalKeeper]
) -> None:
    name = board.capture().name
    data = (store.board_folder(PIER_3) / "captures" / name / "manifest.yaml").read_bytes()
    listed = store.contents.path(names.check_digest(manifest_file.decode(data).index.sha256))
    listed.chmod(0o600)
    listed.write_bytes(bytes(listed.stat().st_size))

    with pytest.raises(HoldstillError):
        judge_boot.note_newest(store, PIER_3, FakeSignatures(), clock=clock)
    after_capture.follow_up(
        store, PIER_3, KeeperSettings(store=store.root), clock=clock, runner=FakeSignatures()
    )

    (brief,) = briefs(store)
    assert brief.boot is None
