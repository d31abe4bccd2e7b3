"""The keeper's side of the capture fault matrix, one test a cell, named by step and fault.

Steps: C3 connect, C4 live rounds, C10 verify, C11 publish, C12 thin. tests/tools/test_store_cuts
goes through every call of a step; here each cell is one story with its ending.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import (
    BusyError,
    LinkError,
    PreflightError,
    SecurityError,
    VerificationError,
)
from holdstill.keeper import board_captures, thin, trash
from holdstill.keeper import store as stores
from holdstill.keeper.local import LocalKeeper
from holdstill.model import names
from holdstill.model.protocol import WantedContent
from holdstill.model.settings import Retention
from support import keeping
from support.faulty import FailingDisk, Loss, PowerCutDisk, PowerCutError
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures, QuickDisk

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.keeper.store_disk import StoreDisk

LocalBoard = Board[LocalKeeper]
KEEP_ONE = Retention(days=0, weeks=0, months=0, years=0, at_least=1)


@pytest.fixture
def board(store: Store, clock: FakeClock) -> LocalBoard:
    """A board with two captures."""
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    for reading in (b"1.42", b"1.43"):
        clock.advance(86_400)
        board.files[b"srv/reading"] = reading
        board.capture()
    board.files[b"srv/reading"] = b"1.44"
    return board


def another(store: Store, clock: FakeClock, disk: StoreDisk | None = None) -> LocalBoard:
    """Return the same board in a new session."""
    held = stores.open_store(store.root, disk=disk or QuickDisk())
    files = {b"srv/reading": b"1.44"}
    return Board(keeping.keeper_of(held, clock=clock), clock=clock, files=files)


def sealed_state(store: Store) -> dict[str, tuple[int, bytes]]:
    return keeping.snapshot(store.board_folder(PIER_3) / "captures")


def test_c3_concurrent_run_is_refused_and_the_first_goes_on(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()

    with pytest.raises(BusyError) as caught:
        another(store, clock).keeper.begin()

    assert caught.value.exit_code == 3
    assert board.capture(begun).name


def test_c3_stale_lock_of_a_dead_run_is_taken(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    (store.board_folder(PIER_3) / "lock").write_text("pid 1, boot ffff", encoding="ascii")

    assert another(store, clock).capture().name


def test_c4_ssh_drop_resumes_the_same_staging(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    board.keeper.close()  # the connection is gone, and with it the process

    later = another(store, clock)
    again = later.keeper.begin()
    later.deliver(again)

    assert again.run == begun.run
    assert later.sent == []


def test_c4_host_disk_full_is_refused_before_anything_is_sent(
    store: Store, clock: FakeClock
) -> None:
    free, _ = store.free()
    rules = keeping.no_limits(store.root, min_free=free - (100 << 20))
    keeper = keeping.keeper_of(store, clock=clock, settings=rules)
    keeper.begin()

    with pytest.raises(PreflightError) as caught:
        keeper.lacking([WantedContent(digest="a" * 64, size=200 << 20)])

    assert caught.value.exit_code == 4


def test_c4_tampered_tree_or_c4_altered_manifest_is_not_built_upon(board: LocalBoard) -> None:
    """The newest capture's manifest was altered: the next run starts from the one before."""
    newest, older = board.keeper.captures()[1].name, board.keeper.captures()[0].name
    path = board.keeper.capture(newest).folder / "manifest.yaml"
    path.chmod(0o600)
    path.write_bytes(path.read_bytes().replace(b"pier-3", b"pier-4"))

    begun = board.keeper.begin()

    hello = board.keeper.hello()
    assert begun.seq == 3
    assert hello.newest is not None
    assert hello.newest.name == older
    assert begun.seq == 3
    assert board.capture(begun).name


def test_c10_read_error_at_the_host_stops_the_run_with_code_7(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    class CannotReread(QuickDisk):
        def reread(self, handle: int, *, size_limit: int) -> tuple[bytes, int]:
            raise OSError(errno.EIO, "Input/output error")

    before = sealed_state(store)
    failing = another(store, clock, CannotReread())
    begun = failing.keeper.begin()

    with pytest.raises(VerificationError) as caught:
        failing.deliver(begun)

    assert caught.value.exit_code == 7
    assert sealed_state(store) == before


def test_c10_host_disk_full_stops_the_sealing_and_the_next_try_succeeds(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    before = sealed_state(store)
    trial = another(store, clock, FailingDisk(24, errno.ENOSPC, times=1))

    with pytest.raises(LinkError, match="disk is full") as caught:
        trial.capture()
    trial.keeper.close()

    assert caught.value.exit_code == 6
    assert sealed_state(store) == before
    assert another(store, clock).capture().name


def test_c10_tampered_tree_is_sent_again_and_never_stored(board: LocalBoard) -> None:
    begun = board.keeper.begin()
    digest = hashlib.sha256(b"1.44").hexdigest()
    Path(begun.folders[0], digest).write_bytes(b"1.45")

    assert board.keeper.ingest([digest]).bad == (digest,)

    board.deliver(begun)
    assert board.sent[-1] == digest


def test_c10_out_of_memory_takes_the_run_back(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    before = sealed_state(store)
    with pytest.raises(LinkError):
        another(store, clock, FailingDisk(1, errno.ENOMEM, times=1 << 30)).capture()

    assert sealed_state(store) == before


@pytest.mark.parametrize("loss", Loss)
def test_c11_power_loss_host_leaves_the_old_or_the_new_whole(
    board: LocalBoard, store: Store, clock: FakeClock, loss: Loss, tmp_path: Path
) -> None:
    outcomes = set()
    for number in range(20, 100, 4):
        copy = keeping.copy_store(store.root, tmp_path / f"{number}")
        held = stores.open_store(copy)
        victim = another(held, clock, PowerCutDisk(number, loss))
        with suppress(PowerCutError):
            victim.capture()
        victim.keeper.close()
        with another(held, clock).keeper as keeper:
            keeper.begin()
        briefs = board_captures.BoardCaptures(held, PIER_3, FakeSignatures()).briefs()
        assert [brief.faults for brief in briefs] == [()] * len(briefs)
        outcomes.add(len(briefs))
        shutil.rmtree(copy)

    assert outcomes == {2, 3}


def test_c11_concurrent_run_publishing_the_same_number_is_refused(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    """Two hosts with one store on a share that does not lock: the ledger decides."""
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    other = Board(_Unlocked(store, clock), clock=clock, files={b"other": b"host"})
    other.capture()

    with pytest.raises((SecurityError, VerificationError, LinkError)):
        board.keeper.seal(data, board.signed(data))

    assert [brief.faults for brief in board.keeper.captures()] == [()] * 3


class _Unlocked(LocalKeeper):
    """A keeper that got the run lock although somebody has it."""

    def __init__(self, store: Store, clock: FakeClock) -> None:
        rules = keeping.no_limits(store.root)
        super().__init__(store, PIER_3, clock=clock, runner=FakeSignatures(), settings=rules)
        lock = store.board_folder(PIER_3) / "lock"
        lock.rename(lock.with_name("lock of the other host"))


def test_c11_clock_jump_back_changes_no_order(board: LocalBoard, clock: FakeClock) -> None:
    clock.advance(-365 * 86_400)

    sealed = board.capture()

    assert sealed.name == "000003-20251127T021503Z"
    assert [brief.seq for brief in board.keeper.captures()] == [1, 2, 3]
    newest = board.keeper.hello().newest
    assert newest is not None
    assert newest.name == sealed.name


def test_c11_tampered_tree_is_told_and_nothing_is_deleted(board: LocalBoard, store: Store) -> None:
    first = board.keeper.capture(board.keeper.captures()[0].name)
    store.contents.path(names.check_digest(first.manifest().index.sha256)).unlink()
    before = sealed_state(store)

    sealed = board.capture()

    assert sealed.name
    (fault,) = board.keeper.captures()[0].faults
    assert fault.startswith("missing: its index: ")
    assert {name: state for name, state in sealed_state(store).items() if name in before} == before


def test_c11_ssh_drop_after_publishing_is_answered_alike_when_asked_again(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()
    board.deliver(begun)
    data = board.attach(begun)
    first = board.keeper.seal(data, board.signed(data))  # the answer is lost on the way

    later = another(store, clock)
    fresh = later.keeper.begin()
    again = later.keeper.seal(data, board.signed(data))

    assert again == first
    assert fresh.seq == 4
    assert len(later.keeper.captures()) == 3


@pytest.mark.parametrize("number", range(1, 8))
def test_c12_kill_9_in_the_middle_of_thinning_leaves_each_victim_whole_or_gone(
    board: LocalBoard, store: Store, clock: FakeClock, number: int
) -> None:
    held = stores.open_store(store.root, disk=PowerCutDisk(number, Loss.ALL))
    with pytest.raises(PowerCutError):
        thin.delete_captures(held, PIER_3, KEEP_ONE, clock=clock, runner=FakeSignatures())

    briefs = board.keeper.captures()
    assert [brief.faults for brief in briefs] == [()] * len(briefs)
    again = thin.delete_captures(store, PIER_3, KEEP_ONE, clock=clock, runner=FakeSignatures())
    assert [brief.seq for brief in board.keeper.captures()] == [2]
    assert again[-1].is_kept
    keeping.collect(store, clock)
    assert (list(trash.others(store)), trash.resting(store)) == ([], ())


def test_c12_concurrent_run_is_not_disturbed_by_thinning(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()

    thin.delete_captures(store, PIER_3, KEEP_ONE, clock=clock, runner=FakeSignatures())
    keeping.collect(store, clock)

    assert board.capture(begun).name
    assert [brief.faults for brief in board.keeper.captures()] == [(), ()]


def test_c12_read_error_or_c12_altered_manifest_stops_thinning_before_it_deletes(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    folder = board.keeper.capture(board.keeper.captures()[0].name).folder
    (folder / "manifest.yaml").unlink()
    (folder / "manifest.yaml").mkdir()  # as unreadable as a bad sector
    before = sealed_state(store)

    with pytest.raises(VerificationError, match="cannot be read"):
        thin.delete_captures(store, PIER_3, KEEP_ONE, clock=clock, runner=FakeSignatures())

    assert sealed_state(store) == before


def test_c12_clock_jump_forward_deletes_nothing_by_a_date_from_the_future(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    clock.advance(10 * 365 * 86_400)
    board.capture()
    clock.advance(-10 * 365 * 86_400)
    rule = Retention(days=3, weeks=0, months=0, years=0, at_least=1)

    before = sealed_state(store)

    with pytest.raises(PreflightError, match="the clock of this keeper"):
        thin.delete_captures(store, PIER_3, rule, clock=clock, runner=FakeSignatures())
    assert sealed_state(store) == before
    clock.advance(86_400)
    board.capture()
    kept = thin.delete_captures(store, PIER_3, rule, clock=clock, runner=FakeSignatures())

    assert [verdict.seq for verdict in kept if verdict.is_kept] == [1, 2, 3, 4]


def test_a_store_that_is_read_only_is_a_link_error_and_not_our_bug(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    trial = another(store, clock, FailingDisk(1, errno.EROFS, times=1 << 30))

    with pytest.raises(LinkError, match="cannot use its store"):
        trial.keeper.begin()


def test_owners_and_modes_of_a_store_shut_everybody_else_out(store: Store) -> None:
    os.umask(0o022)
    loose = [
        path
        for path in store.root.rglob("*")
        if path.lstat().st_mode & 0o077 and path.name not in {"lock", "READ-ME-FIRST.txt"}
    ]

    assert loose == []
    assert msgspec.to_builtins(store.facts)["format"] == 1
