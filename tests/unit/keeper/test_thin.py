"""Thinning and sweeping a real store."""

from __future__ import annotations

import hashlib
import os
import shutil
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import SecurityError, UsageError, VerificationError
from holdstill.keeper import capture_notes, deletion, enrolment, take_in, thin
from holdstill.keeper import store as stores
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.local import LocalKeeper
from holdstill.model import names
from holdstill.model.protocol import WantedContent
from holdstill.model.settings import Retention
from holdstill.records import capture_contents
from support import keeping
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import Digest
    from holdstill.system.process import Command

LocalBoard = Board[LocalKeeper]
NEWEST_TWO = Retention(days=0, weeks=0, months=0, years=0, at_least=2)
DAY = 86_400


@pytest.fixture
def board(store: Store, clock: FakeClock) -> LocalBoard:
    """A board with five captures: one file stays the same, one is new every day."""
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    board.files[b"usr/always"] = b"the same"
    for number in range(5):
        clock.advance(DAY)
        board.files[b"srv/reading"] = b"reading %d" % number
        board.capture()
    return board


def digest_of(content: bytes) -> Digest:
    return names.check_digest(hashlib.sha256(content).hexdigest())


def age(store: Store, *, seconds: float = 10 * DAY) -> None:
    """Make everything in content/ look as if it had been there for long."""
    for held in store.contents.all():
        os.utime(held.path, times=(held.written_at - seconds,) * 2)


def thinned(store: Store, clock: FakeClock, rule: Retention = NEWEST_TWO) -> list[int]:
    verdicts = thin.delete_captures(store, PIER_3, rule, clock=clock, runner=FakeSignatures())
    return [v.seq for v in verdicts if v.is_kept]


def test_a_dry_run_says_what_the_real_one_does_and_changes_nothing(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    before = keeping.snapshot(store.root)

    plan = thin.plan(store, PIER_3, NEWEST_TWO, clock=clock, runner=FakeSignatures())

    assert keeping.snapshot(store.root) == before
    assert [v.seq for v in plan if v.is_kept] == thinned(store, clock) == [4, 5]


def test_a_copy_without_its_empty_folders_is_thinned(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    board.keeper.close()
    for folder in sorted(store.root.rglob("*"), reverse=True):
        if folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()

    assert thinned(store, clock) == [4, 5]


def test_captures_that_are_not_kept_are_gone_and_the_others_are_untouched(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    folder = store.board_folder(PIER_3) / "captures"
    before = {p.name: keeping.snapshot(p) for p in folder.iterdir()}

    thinned(store, clock)

    assert [brief.seq for brief in board.keeper.captures()] == [4, 5]
    assert {p.name: keeping.snapshot(p) for p in folder.iterdir()} == {
        name: state for name, state in before.items() if name[:6] in {"000004", "000005"}
    }
    assert list(store.trash.iterdir()) == []
    assert deletion.under_way(store, PIER_3) == frozenset()


def test_what_a_run_was_told_it_need_not_send_is_its_own_whatever_is_thinned(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    old = b"reading 0"
    begun = board.keeper.begin()
    wanted = WantedContent(digest=digest_of(old), size=len(old))
    assert board.keeper.lacking([wanted]).send == ()

    thinned(store, clock)
    keeping.collect(store, clock)
    board.files[b"srv/reading"] = old

    assert board.capture(begun).name
    assert board.sent.count(digest_of(old)) == 1


def test_the_chain_goes_on_behind_a_thinned_capture(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    thinned(store, clock)
    board.files[b"srv/reading"] = b"another"

    board.capture()

    assert [(b.seq, b.faults) for b in board.keeper.captures()] == [(4, ()), (5, ()), (6, ())]


def test_a_sweep_deletes_what_no_capture_holds(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    thinned(store, clock)
    age(store)

    before = {held.digest: held.allocated for held in store.contents.all()}
    kept = [board.keeper.capture(brief.name) for brief in board.keeper.captures()]
    needed = {digest.hex() for c in kept for digest, _ in capture_contents.needed(c)}

    swept = keeping.collect(store, clock)

    assert {held.digest for held in store.contents.all()} == needed
    assert {digest_of(b"the same"), digest_of(b"reading 3"), digest_of(b"reading 4")} < needed
    gone = [size for digest, size in before.items() if digest not in needed]
    assert (swept.contents, swept.bytes, swept.given_back) == (len(gone), sum(gone), sum(gone))
    assert keeping.collect(store, clock).contents == 0


def test_a_sweep_spares_what_a_run_has_brought_and_not_sealed(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()
    board.files[b"srv/reading"] = b"just arrived"
    board.deliver(begun)

    keeping.collect(store, clock)

    assert store.contents.has(digest_of(b"just arrived"))


def test_a_sweep_that_was_too_eager_costs_sending_again_and_nothing_else(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()
    board.files[b"srv/reading"] = b"just arrived"
    board.deliver(begun)
    store.contents.path(digest_of(b"just arrived")).unlink()
    data = board.attach(begun)

    answer = board.keeper.seal(data, board.signed(data))

    assert answer.lacking.send == (digest_of(b"just arrived"),)
    board.deliver(begun)
    assert board.keeper.seal(data, board.signed(data)).name


def test_c12_tampered_tree_i10_nothing_is_thinned_while_a_capture_is_suspicious(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    name = board.keeper.captures()[1].name
    path = board.keeper.capture(name).folder / "manifest.yaml.sig"
    path.chmod(0o600)
    path.write_bytes(b"forged")
    before = keeping.snapshot(store.root)

    with pytest.raises(SecurityError, match="not as they should be"):
        thinned(store, clock)

    assert keeping.snapshot(store.root) == before


def test_i10_nothing_is_thinned_while_a_capture_is_missing(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    shutil.rmtree(board.keeper.capture(board.keeper.captures()[4].name).folder)

    with pytest.raises(VerificationError, match="missing from disk"):
        thinned(store, clock)

    assert len(list((store.board_folder(PIER_3) / "captures").iterdir())) == 4


def test_thinning_waits_for_no_run_and_disturbs_none(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()

    thinned(store, clock)

    assert [brief.seq for brief in board.keeper.captures()] == [4, 5]
    assert board.capture(begun).name
    assert [brief.faults for brief in board.keeper.captures()] == [()] * 3


def test_a_board_that_is_not_enrolled_is_refused_by_name(store: Store, clock: FakeClock) -> None:
    stranger = names.check_board("pier-9")

    with pytest.raises(UsageError, match="board pier-9 is not enrolled"):
        thin.delete_captures(store, stranger, NEWEST_TWO, clock=clock, runner=FakeSignatures())

    assert not store.board_folder(stranger).exists()


def test_a_pinned_capture_stays_until_it_is_unpinned(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    name = board.keeper.captures()[0].name
    capture_notes.pin(store, PIER_3, name, clock=clock)

    assert thinned(store, clock) == [1, 4, 5]

    capture_notes.unpin(store, PIER_3, name, clock=clock)
    assert thinned(store, clock) == [4, 5]


def test_marks_are_for_captures_that_exist(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    thinned(store, clock)

    for name in ("000001-20261126T021503Z", "000009-20261126T021503Z"):
        with pytest.raises(UsageError, match="no capture"):
            capture_notes.pin(store, PIER_3, name, clock=clock)


def test_verified_and_booted_are_listed_with_their_dates(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    captures = [brief.name for brief in board.keeper.captures()]

    since = dict.fromkeys(captures, "2026-11-30T00:00:00Z")
    capture_notes.verified(store, PIER_3, since, clock=clock)
    clock.advance(DAY)
    capture_notes.booted(store, PIER_3, captures[4], clock=clock)

    last = board.keeper.captures()[4]
    assert (last.verified_at[:10], last.booted_at[:10]) == ("2026-11-30", "2026-12-01")
    assert board.keeper.captures()[3].booted_at == ""


def test_damage_that_is_found_while_thinning_decides_is_heeded(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    """A verify that ends in between: the last undamaged capture stays."""
    names_of_all = [brief.name for brief in board.keeper.captures()]

    class VerifiedMeanwhile(FakeSignatures):
        """Checks signatures, and notes damage after the first one."""

        told = False

        def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
            if not self.told:
                self.told = True
                capture_notes.damaged(store, PIER_3, names_of_all[1:], clock=clock)
            return super().run(command, stdin=stdin)

    one = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
    thin.delete_captures(store, PIER_3, one, clock=clock, runner=VerifiedMeanwhile())

    left = [brief.name for brief in board.keeper.captures()]
    assert left == [names_of_all[0], names_of_all[-1]]


def test_a_broken_ledger_can_be_accepted_with_a_reason(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    path = store.board_folder(PIER_3) / "ledger.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"recovered":false', b'"recovered":true', 1))
    with pytest.raises(SecurityError):
        board.keeper.begin()
    with pytest.raises(UsageError, match="say why"):
        capture_notes.accept(store, PIER_3, " ", clock=clock)

    shelf = BoardCaptures(store, PIER_3, FakeSignatures())
    assert len(take_in.take_in(shelf, clock=clock)) == 1  # what that line said counts for nothing
    capture_notes.accept(store, PIER_3, "a bit flipped on the old disk", clock=clock)

    assert board.capture().name
    assert [brief.faults for brief in board.keeper.captures()] == [()] * 6
    path.write_bytes(path.read_bytes().replace(b'"run":"', b'"run":"x', 1))
    with pytest.raises(SecurityError, match="line 1: its checksum is wrong"):
        board.keeper.begin()


def test_c12_power_loss_board_a_staging_that_nobody_came_back_for_is_given_up(
    board: LocalBoard, store: Store, clock: FakeClock
) -> None:
    begun = board.keeper.begin()
    board.keeper.abandon()
    folder = store.board_folder(PIER_3) / "incoming" / begun.run

    keeping.collect(store, clock)
    assert folder.exists()  # a first capture may take several nights
    keeping.leave_behind(folder, clock)
    keeping.collect(store, clock)

    assert not folder.exists()


@pytest.mark.usefixtures("board")
def test_h17_the_retention_in_a_boards_enrolment_goes_before_that_for_all(
    store: Store, clock: FakeClock
) -> None:
    path = store.board_folder(PIER_3) / "enrolment.yaml"
    enrolled = msgspec.structs.replace(
        enrolment.read(store, PIER_3),
        retention=Retention(days=0, weeks=0, months=0, years=0, at_least=4),
    )
    store.disk.publish(path, stores.encode(enrolled))
    runner = FakeSignatures()
    planned = thin.plan(store, PIER_3, NEWEST_TWO, clock=clock, runner=runner)
    done = thin.delete_captures(store, PIER_3, NEWEST_TWO, clock=clock, runner=runner)
    assert planned == done
    assert [verdict.is_kept for verdict in done] == [False, True, True, True, True]
