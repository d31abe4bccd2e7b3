"""S04: a board cannot fill the disk to push history out."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import PreflightError
from holdstill.keeper import enrolment, incoming
from holdstill.keeper.quota import ArrivalMonitor, Quota
from holdstill.model.protocol import WantedContent
from holdstill.model.settings import BoardLimits
from holdstill.model.sizes import ByteSize
from support import keeping
from support.keeping import KEY, PIER_3, Board, FakeClock

if TYPE_CHECKING:
    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store


@pytest.fixture
def store(tmp_path: Path) -> Store:
    store = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    limits = BoardLimits(bytes_per_run=ByteSize.parse("100K"), entries=5)
    enrolment.enrol(store, PIER_3, KEY, clock=FakeClock(), limits=limits)
    return store


@pytest.fixture
def keeper(store: Store) -> LocalKeeper:
    return keeping.keeper_of(store, clock=FakeClock())


def wanted(size: int) -> WantedContent:
    return WantedContent(digest=hashlib.sha256(b"%d" % size).hexdigest(), size=size)


def test_s04_more_than_the_boards_allowance_is_refused_before_it_is_sent(
    keeper: LocalKeeper,
) -> None:
    keeper.begin()

    assert keeper.lacking([wanted(102_400)])
    with pytest.raises(PreflightError, match=r"100\.0 KiB a run; 100\.0 KiB are left"):
        keeper.lacking([wanted(102_400), wanted(1)])


def test_s04_abandoning_gives_nothing_back_and_sealing_does(
    keeper: LocalKeeper, store: Store
) -> None:
    begun = keeper.begin()
    content = b"x" * 70_000
    digest = hashlib.sha256(content).hexdigest()
    Path(begun.contents, digest).write_bytes(content)
    keeper.ingest([digest])
    keeper.abandon()

    keeper.begin()
    with pytest.raises(PreflightError, match=r"31\.6 KiB are left"):
        keeper.lacking([wanted(40_000)])

    Board(keeper, files={b"f": content}).capture()
    keeper.begin()
    assert keeper.lacking([wanted(100_000)])


def test_s04_a_transfer_that_takes_more_is_complained_about(
    keeper: LocalKeeper, store: Store
) -> None:
    begun = keeper.begin()
    staging = incoming.current(store, PIER_3)
    assert staging is not None
    watch = ArrivalMonitor(Quota(store, enrolment.read(store, PIER_3)), staging, min_free=0)

    before = watch.complaint()
    Path(begun.contents, "flood").write_bytes(b"x" * 500_000)

    assert before == ""
    assert "100.0 KiB" in watch.complaint()


def test_s04_a_transfer_ends_before_the_disk_is_full(keeper: LocalKeeper, store: Store) -> None:
    keeper.begin()
    staging = incoming.current(store, PIER_3)
    assert staging is not None
    watch = ArrivalMonitor(Quota(store, enrolment.read(store, PIER_3)), staging, min_free=1 << 60)

    assert watch.complaint() == "the disk is nearly full"


def test_s20_more_entries_than_the_board_may_have_are_refused(keeper: LocalKeeper) -> None:
    board = Board(keeper, files={b"%d" % n: b"x" for n in range(9)})

    with pytest.raises(Exception, match="more than the 5 entries"):
        board.capture()


def test_without_a_limit_nothing_is_counted(tmp_path: Path) -> None:
    store = keeping.make_store(tmp_path / "free", clock=FakeClock())
    keeper = keeping.keeper_of(store, clock=FakeClock())
    Board(keeper, files={b"f": b"x" * 100_000}).capture()

    assert not (store.board_folder(PIER_3) / "brought").exists()
