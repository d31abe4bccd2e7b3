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
from holdstill.model.sizes import GIB, ByteSize
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


def watched(store: Store, *, brought: int = 0, here: int = 0) -> tuple[ArrivalMonitor, Path]:
    """Return the monitor of a transfer, and a file in its staging that can grow."""
    staging = incoming.begin_staging(store, PIER_3)
    arriving = staging.contents / ("a" * 64)
    arriving.write_bytes(b"x" * here)
    quota = Quota(store, enrolment.read(store, PIER_3))
    quota.add(brought)
    return ArrivalMonitor(quota, staging, min_free=0), arriving


def test_s04_what_was_brought_before_counts_in_a_transfer(store: Store) -> None:
    watch, arriving = watched(store, brought=98 << 10)

    before = watch.complaint()
    arriving.write_bytes(b"x" * (4 << 10))

    assert before == ""
    assert "100.0 KiB" in watch.complaint()


def test_s04_what_the_staging_held_before_does_not_count_again(store: Store) -> None:
    watch, arriving = watched(store, here=80 << 10)

    arriving.write_bytes(b"x" * (160 << 10))
    grown_by_80 = watch.complaint()
    arriving.write_bytes(b"x" * (200 << 10))

    assert grown_by_80 == ""
    assert "100.0 KiB" in watch.complaint()


# Half of what must stay free is the limit: the other half is for what is already on its way.
@pytest.mark.parametrize(("spare", "words"), [(-GIB, "the disk is nearly full"), (GIB, "")])
def test_s04_a_transfer_may_use_half_of_what_must_stay_free(
    store: Store, spare: int, words: str
) -> None:
    free, _ = store.free()
    assert free > 3 * GIB
    staging = incoming.begin_staging(store, PIER_3)
    quota = Quota(store, enrolment.read(store, PIER_3))

    watch = ArrivalMonitor(quota, staging, min_free=2 * (free - spare))

    assert watch.complaint() == words


def test_what_a_board_without_a_limit_brings_is_not_written_down(tmp_path: Path) -> None:
    store = keeping.make_store(tmp_path / "free", clock=FakeClock())
    quota = Quota(store, enrolment.read(store, PIER_3))

    quota.add(100_000)

    assert quota.brought() == 0
