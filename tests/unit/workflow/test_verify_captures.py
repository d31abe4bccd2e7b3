"""Verifying a store, and what can be done about what it finds."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.keeper import account_captures, enrolment, references, thin
from holdstill.keeper import store as stores
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.model.settings import Retention
from holdstill.workflow import verify_captures
from support import keeping
from support.keeping import OTHER_KEY, PIER_3, PIER_4, Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.estimate import Stage
    from holdstill.workflow.ports import Progress
    from holdstill.workflow.verify_captures import VerifyReport


class Silent:
    @contextmanager
    def muted(self) -> Iterator[None]:
        yield

    def expect(self, stages: Sequence[Stage]) -> None:
        assert stages[0].what == verify_captures.READING

    def step(self, what: str) -> None:
        assert what

    def update(self, done: int, total: int) -> None:
        assert done >= 0

    def warn(self, text: str) -> None:
        assert text


@dataclass
class Meanwhile(Silent):
    """Lets something happen after the captures were listed, and before they are read."""

    deed: Callable[[], None]

    def step(self, what: str) -> None:
        if what == verify_captures.READING:
            self.deed()


def verified(
    store: Store, reference: str = "", *, progress: Progress | None = None
) -> VerifyReport:
    return verify_captures.verify_store(
        store,
        reference,
        within_days=0,
        rate=0,
        clock=FakeClock(),
        runner=FakeSignatures(),
        progress=progress or Silent(),
    )


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Store:
    """A store with three captures of pier-3, each with a file of its own."""
    made = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(made, clock=clock), clock=clock)
    for number in range(3):
        clock.advance(86_400)
        board.files = {b"same": b"same", b"srv/reading": b"reading %d" % number}
        board.capture()
    board.keeper.close()
    return made


def captures_of(store: Store) -> list[str]:
    briefs = BoardCaptures(store, PIER_3, FakeSignatures()).briefs()
    return [f"pier-3/{brief.name}" for brief in briefs]


def thin_all_but_the_newest(store: Store, clock: FakeClock) -> None:
    clock.advance(30 * 86_400)
    for held in store.contents.all():
        os.utime(held.path, times=(1e9, 1e9))
    rule = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
    thin.delete_captures(store, PIER_3, rule, clock=clock, runner=FakeSignatures())
    assert keeping.collect(store, clock).contents > 0


def test_m5_captures_that_are_thinned_meanwhile_are_no_damage(
    store: Store, clock: FakeClock
) -> None:
    *old, newest = captures_of(store)
    between = Meanwhile(lambda: thin_all_but_the_newest(store, clock))

    report = verified(store, progress=between)

    assert (report.is_good, report.exit_code) == (True, 0)
    assert report.captures == (newest,)
    assert sorted(report.gone) == old


def test_m5_contents_that_vanish_with_a_manifest_in_place_are_no_damage_once_thinned(
    store: Store, clock: FakeClock
) -> None:
    """The folders are still there: a cut came between the ledger's line and the deletion."""
    *old, newest = captures_of(store)
    kept = {name: keeping.snapshot(folder_of(store, name)) for name in old}

    def half_thinned() -> None:
        thin_all_but_the_newest(store, clock)
        for name, files in kept.items():
            folder_of(store, name).mkdir()
            for file, (_, content) in files.items():
                (folder_of(store, name) / file).write_bytes(content)

    report = verified(store, progress=Meanwhile(half_thinned))

    assert (report.exit_code, report.captures) == (0, (newest,))
    assert sorted(report.gone) == old


def folder_of(store: Store, capture: str) -> Path:
    board, _, name = capture.partition("/")
    return store.root / "boards" / board / "captures" / name


def test_m5_a_capture_that_is_sealed_meanwhile_is_left_for_the_next_run(
    store: Store, clock: FakeClock
) -> None:
    def sealed() -> None:
        keeper = keeping.keeper_of(store, clock=clock)
        Board(keeper, clock=clock, files={b"new": b"new"}).capture()
        keeper.close()

    report = verified(store, progress=Meanwhile(sealed))

    assert (report.exit_code, len(report.captures)) == (0, 3)
    assert len(verified(store).captures) == 4


def test_h10_a_flipped_manifest_byte_keeps_no_capture_and_no_board_from_being_read(
    store: Store, clock: FakeClock
) -> None:
    enrolment.enrol(store, PIER_4, OTHER_KEY, clock=clock, limits=None)
    (store.board_folder(PIER_4) / "enrolment.yaml").write_bytes(b"board: [")
    altered, *others = captures_of(store)
    manifest = folder_of(store, altered) / "manifest.yaml"
    manifest.chmod(0o600)
    manifest.write_bytes(b"F" + manifest.read_bytes()[1:])

    report = verified(store)

    assert sorted(report.captures) == others
    assert all(fault.startswith(f"{altered}: ") for fault in report.faults)
    assert [trouble.board for trouble in report.troubles] == ["pier-4"]
    assert report.exit_code == 7


def test_h7_a_capture_of_an_odd_name_keeps_no_other_from_being_read(
    store: Store, clock: FakeClock
) -> None:
    shelf, good = BoardCaptures(store, PIER_3, FakeSignatures()), captures_of(store)
    with shelf.ledger_file.held_for_writing(store.disk) as ledger:
        last = ledger.sealed[-1]
        brief = msgspec.structs.replace(last.brief, name="000004-10101T021503Z", seq=4)
        odd = msgspec.structs.replace(last, brief=brief, previous=last.brief.manifest)
        shelf.ledger_file.append(ledger, [odd], at=brief.arrived_at, disk=store.disk)
    shutil.copytree(shelf.folder / last.brief.name, shelf.folder / brief.name)

    report = verified(store)

    assert sorted(report.captures) == good
    assert [fault.partition(": ")[0] for fault in report.faults] == [f"pier-3/{brief.name}"]


def test_a_capture_that_a_power_cut_stopped_is_told_and_is_no_alarm(store: Store) -> None:
    ledger = store.board_folder(PIER_3) / "ledger.jsonl"
    lines = ledger.read_bytes().splitlines(keepends=True)
    newest = captures_of(store)[-1]
    event = msgspec.json.decode(lines[-1])["entry"]
    ledger.write_bytes(b"".join(lines[:-1]))
    (store.board_folder(PIER_3) / "sealing" / "r.json").write_bytes(msgspec.json.encode(event))

    report = verified(store)

    assert report.exit_code == 0
    assert [note.partition(": ")[0] for note in report.notes] == [newest]


@pytest.mark.parametrize("cache", ["rubbish", "directory", "future"])
def test_m13_h14_whatever_the_cache_is_the_verdict_is_right(store: Store, cache: str) -> None:
    path = store.root / stores.VERIFIED
    match cache:
        case "rubbish":
            path.write_bytes(b"rubbish")
        case "directory":
            path.mkdir()
        case _:
            verified(store)
            with closing(sqlite3.connect(path)) as db, db:
                db.execute("UPDATE good SET at = at + 1e9")
    bad = store.contents.path(names.check_digest(hashlib.sha256(b"reading 1").hexdigest()))
    bad.chmod(0o600)
    bad.write_bytes(b"rEading 1")

    report = verify_captures.verify_store(
        store, "", within_days=30, rate=0, clock=FakeClock(), runner=FakeSignatures(),
        progress=Silent(),
    )  # fmt: skip

    assert [damage.digest for damage in report.damages] == [bad.name]
    assert (report.faults, report.unread) == ((), ())
    assert len(report.notes) == (cache != "future")
    assert report.exit_code == 7


def test_h11_a_ledger_that_cannot_be_written_changes_no_verdict(store: Store) -> None:
    report = verified(store, progress=Meanwhile(lambda: withdraw(store)))

    assert (report.exit_code, len(report.captures)) == (0, 3)
    (note,) = report.notes
    assert note.startswith("pier-3: what was found cannot be noted in its ledger: ")


def withdraw(store: Store) -> None:
    """Put something that nobody can write to in the ledger's place."""
    ledger = store.board_folder(PIER_3) / "ledger.jsonl"
    ledger.unlink()
    ledger.mkdir()


def test_a_damaged_content_is_found_taken_out_sent_again_and_found_good(tmp_path: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock, files={b"f": b"reading"})
    board.capture()
    digest = hashlib.sha256(b"reading").hexdigest()
    path = store.contents.path(names.check_digest(digest))
    path.chmod(0o600)
    path.write_bytes(b"REading")

    found = verified(store)
    outcomes = verify_captures.repair_damage(store, found)
    waiting = verified(store)
    board.sent.clear()
    clock.advance(60)
    board.capture()
    again = verified(store)
    finished = verify_captures.repair_damage(store, again)

    assert [damage.digest for damage in found.damages] == [digest]
    awaited = [damage.is_awaited for report in (found, waiting) for damage in report.damages]
    assert awaited == [False, True]
    assert outcomes == {digest: "awaited"}
    assert board.sent == [digest]
    assert (again.damages, finished) == ((), {})
    captures = [board.keeper.capture(brief.name) for brief in board.keeper.captures()]
    assert [keeping.read_content(c, b"reading") for c in captures] == [b"reading"] * 2


def forget_rows(store: Store) -> None:
    with closing(sqlite3.connect(store.root / references.NAME)) as db, db:
        assert db.execute("DELETE FROM span WHERE content % 2 = 0").rowcount


def test_references_that_differ_are_told_as_derived_and_blame_no_capture(store: Store) -> None:
    forget_rows(store)

    report = verified(store)

    assert report.miscounted
    assert report.is_good
    assert (report.damages, report.faults, report.notes) == ((), (), ())
    assert report.exit_code == 8
    assert account_captures.recount(store) == ()
    assert verified(store).exit_code == 0


def test_references_that_are_gone_are_no_alarm(store: Store) -> None:
    references.discard(store)

    report = verified(store)

    assert (report.miscounted, report.notes, report.exit_code) == ((), (), 0)


def test_references_that_are_damaged_are_a_note(store: Store) -> None:
    (store.root / references.NAME).write_bytes(b"no database at all" * 300)

    report = verified(store)

    assert (report.miscounted, report.exit_code) == ((), 0)
    (note,) = report.notes
    assert "`holdstill keeper recount` makes it again" in note
