"""A server that fails at every call: nothing is lost, and nothing called safe that is not."""

import dataclasses
import hashlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from holdstill.errors import LinkError, MachineError, VerificationError
from holdstill.keeper import store
from holdstill.model.protocol import CaptureBrief
from holdstill.offsite import check, in_memory, offsite_settings, pack_format, sent, upload
from holdstill.offsite.bucket import Bucket
from holdstill.offsite.locks import Locks
from holdstill.offsite.upload import Uploader
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import offsite_upload
from support import faulty_proxy, seaweed
from support.faulty_proxy import Fault, FaultyProxy
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

FILES = {b"etc/hostname": b"pier-3\n", b"srv/readings": os.urandom(90_000)}
CHANGED = FILES | {b"etc/hostname": b"renamed\n", b"new": os.urandom(70_000)}
pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def proxy(server: Seaweed) -> Iterator[FaultyProxy]:
    with faulty_proxy.running(server.port) as one:
        yield one


@pytest.fixture(scope="module")
def twice(server: Seaweed, tmp_path_factory: pytest.TempPathFactory) -> CopiedStore:
    """Return a store with two captures; beside it is what it was after the first one."""
    made = CopiedStore(tmp_path_factory.mktemp("twice"), server.address())
    made.held.enrol("pier-3")
    made.capture("pier-3", FILES)
    shutil.copytree(made.root, made.folder / "before", symlinks=True)
    made.capture("pier-3", CHANGED)
    return made


def nothing_sent(held: CopiedStore, server: Seaweed) -> None:
    """Begin anew, with the store as it is and nothing off-site."""
    held.address = server.address()
    (held.root / sent.NAME).unlink(missing_ok=True)
    held.set_up()


def first_sent(held: CopiedStore, server: Seaweed) -> None:
    """Begin anew, with the first capture off-site."""
    nothing_sent(held, server)
    before = held.folder / "before"
    for name in (offsite_settings.NAME, sent.NAME):
        (before / name).unlink(missing_ok=True)
    shutil.copy(held.root / offsite_settings.NAME, before)
    offsite_upload.upload(
        store.open_store(before), clock=SystemClock(), runner=LocalRunner(), progress=Silent()
    )
    shutil.copy(before / sent.NAME, held.root)


def locks_due(held: CopiedStore, server: Seaweed) -> None:
    """Begin anew, with the first capture off-site and its locks to be lengthened."""
    first_sent(held, server)
    with sqlite3.connect(held.root / sent.NAME) as db:
        db.execute("UPDATE pack SET until = ''")
        db.execute("UPDATE head SET until = ''")
    db.close()


def told_captures(held: CopiedStore) -> set[str]:
    """Return the captures that the copy says it has, each read whole from there."""
    if not held.versions("keepers/"):
        return set()
    with held.library() as opened:
        assert opened.catalogue.faults == []
        names = {brief.name for brief in opened.briefs(opened.boards()[0])}
        for name in names:
            expected = FILES if name.startswith("000001") else CHANGED
            assert held.restored(opened, f"pier-3/{name}") == expected
        return names


_ALL = [
    *((nothing_sent, fault) for fault in Fault),
    *((first_sent, fault) for fault in Fault),
    *((locks_due, fault) for fault in (Fault.INTERNAL, Fault.CUT_AFTER)),
]
_EVERY_DAY = {(nothing_sent, Fault.INTERNAL), (first_sent, Fault.CUT_AFTER)}
BEGINNINGS = [
    pytest.param(*each, marks=() if each in _EVERY_DAY else pytest.mark.slow) for each in _ALL
]
"""With each, at each call, the fault comes once, and from there on: some 250 points."""
FINISHES = {Fault.SLOW: 0, Fault.STALE: 0, Fault.SKEWED: 1, Fault.CUT_ANSWER: 1}
"""Faults that few calls, or none, break off by: answers of puts have no bytes to be cut, and the
date of the first answer counts."""


@pytest.mark.timeout(900)
@pytest.mark.parametrize(
    ("begin", "fault"), BEGINNINGS, ids=lambda one: getattr(one, "__name__", str(one))
)
def test_a_fault_at_each_call(
    begin: Callable[[CopiedStore, Seaweed], None],
    fault: Fault,
    server: Seaweed,
    proxy: FaultyProxy,
    twice: CopiedStore,
    record_property: Callable[[str, object], None],
) -> None:
    points, broke, at = 0, 0, 0
    while at == points / 2:  # until a run has no such call
        at += 1
        for many in (1, 1000):
            begin(twice, server)
            proxy.planned(fault, at, many=many)
            is_broken, calls = _one_point(twice, proxy)
            points, broke = points + (calls >= at), broke + is_broken
    record_property("points", points)
    record_property("broke", broke)
    assert points >= 2 * 5
    assert broke >= FINISHES.get(fault, points)


def _one_point(held: CopiedStore, proxy: FaultyProxy) -> tuple[bool, int]:
    """Upload with the fault that is planned, then without; return whether it broke, and calls."""
    finished = None
    with suppress(LinkError, MachineError):
        finished = held.upload(by_way_of=proxy.endpoint)
    calls = proxy.plan.calls
    there = told_captures(held)
    with sent.opened(held.root / sent.NAME) as noted:
        assert {name for _, name in noted.captures()} <= there
    if finished is not None:
        assert {name.split("/")[1] for name in finished.sent.captures} <= there
        assert len(there) == 2
    # The next run, without faults, does the rest.
    proxy.planned(Fault.INTERNAL, 0)
    again = held.upload(by_way_of=proxy.endpoint)
    assert len(told_captures(held)) == 2
    assert again.troubles == ()
    found = check.check(held.bucket, Silent(), own=None, parts=1, turn=0)
    assert (found.missing, found.altered, found.unlocked) == ((), (), ())
    # A server that fails at one object is told of, and ends no run that can go on.
    return finished is None or bool(finished.troubles or finished.warnings), calls


@pytest.mark.parametrize("are_notes_lost", [False, True])
def test_a_head_that_is_not_listed_yet_is_not_put_twice(
    server: Seaweed, proxy: FaultyProxy, twice: CopiedStore, *, are_notes_lost: bool
) -> None:
    first_sent(twice, server)
    proxy.planned(Fault.CUT_AFTER, 4)  # list, put and look at a pack, put the head
    with pytest.raises(LinkError):
        twice.upload(by_way_of=proxy.endpoint)
    assert len(twice.versions("keepers/")) == 2
    if are_notes_lost:
        (twice.root / sent.NAME).unlink()
    proxy.planned(Fault.STALE, 1, many=1000)

    with pytest.raises(LinkError, match="does not list it yet"):
        twice.upload(by_way_of=proxy.endpoint)

    assert len(twice.versions("keepers/")) == 2
    assert twice.upload().sent.captures == []
    assert len(told_captures(twice)) == 2


def test_a_restore_that_breaks_off_is_never_taken_for_whole(
    server: Seaweed, proxy: FaultyProxy, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address())
    held.held.enrol("pier-3")
    held.capture("pier-3", FILES)
    held.upload()
    shutil.rmtree(held.root)
    calls, ends = 0, 0
    for at in range(1, 60):
        proxy.planned(Fault.CUT_ANSWER if at % 2 else Fault.INTERNAL, at, many=1000)
        try:
            with held.library(by_way_of=proxy.endpoint) as opened:
                assert held.restored(opened, "pier-3") == FILES
        except (LinkError, VerificationError):  # it cannot be asked, or not for one object
            ends += 1
        calls = max(calls, proxy.plan.calls)
        if proxy.plan.calls < at:
            break
    assert ends >= 4


def test_a_single_failure_is_tried_again(
    server: Seaweed, proxy: FaultyProxy, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address())
    held.held.enrol("pier-3")
    held.capture("pier-3", FILES)
    address = str(held.address).replace(server.endpoint, proxy.endpoint)
    held.set_up(address=address)
    proxy.planned(Fault.SLOW_DOWN, 2)

    assert len(held.upload().sent.captures) == 1
    assert proxy.plan.calls > 4


@dataclass
class Given:
    """A capture of a store, as the uploader takes it."""

    contents: tuple[bytes, ...]
    brief: CaptureBrief
    board: str = "pier-3"

    def documents(self) -> tuple[bytes, bytes, bytes]:
        return tuple(f"{self.brief.name} {n}".encode() for n in range(3))  # type: ignore[return-value]

    def needed(self) -> Iterator[tuple[bytes, int]]:
        return ((hashlib.sha256(one).digest(), len(one)) for one in self.contents)

    def open(self, digest: bytes) -> int:
        found = {hashlib.sha256(one).digest(): one for one in self.contents}
        return in_memory.opened(found[digest])


def given(number: int, *contents: bytes) -> Given:
    name = f"{number:06}-2026113{number % 2}T02{number:02}00Z"
    brief = CaptureBrief(name=name, seq=number, manifest="", index="", grade="", taken_at="")
    return Given(contents, brief)


def test_a_capture_whose_documents_were_there_before_waits_for_its_contents(
    server: Seaweed, proxy: FaultyProxy, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after --shared, where the pack with its documents was taken over and no other was."""
    monkeypatch.setattr(upload, "_UNTOLD_MOST", 1)
    held = CopiedStore(tmp_path, server.address())
    address = dataclasses.replace(held.address, endpoint=proxy.endpoint)
    bucket = Bucket(address, seaweed.KEEPER, attempts=1)
    wanted = given(2, os.urandom(20 << 20))
    large = pack_format.TARGET + (16 << 20)  # full as soon as that is written
    captures = (given(1, os.urandom(large)), wanted, given(3, os.urandom(large)))

    def run(*sent_now: Given, fault: Fault = Fault.INTERNAL, at: int = 0) -> None:
        proxy.planned(fault, at, many=1000)
        folder = Path(tempfile.mkdtemp(dir=tmp_path))
        settings = offsite_settings.read(held.root)
        one = Uploader(
            bucket, noted, settings, Locks(bucket, 3, SystemClock()), SystemClock(), folder
        )
        try:
            for capture in sent_now:
                one.send(capture)
            one.finish(())
        finally:
            one.close()

    with sent.opened(held.root / sent.NAME) as noted:
        noted.note_made()
        run(given(9, *wanted.documents()))
        # A pack put and looked at, and a head; then the line goes down.
        with pytest.raises(LinkError):
            run(*captures, fault=Fault.CUT_BEFORE, at=5)
        assert noted.last_head().number == 2
        assert not noted.is_sent("pier-3", wanted.brief.name)

        run(*captures)

        assert noted.is_sent("pier-3", wanted.brief.name)
        assert all(noted.has(digest) for digest, _ in wanted.needed())


def test_what_a_run_that_broke_off_has_put_is_not_sent_again(
    server: Seaweed, proxy: FaultyProxy, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address())
    held.held.enrol("pier-3")
    large = {b"large-%d" % n: os.urandom(12 << 20) for n in range(6)}
    held.capture("pier-3", large)
    proxy.planned(Fault.CUT_BEFORE, 5, many=1000)  # list, look for a head, put, look, put
    with pytest.raises(LinkError):
        held.upload(by_way_of=proxy.endpoint)
    (first,) = held.versions("packs/")
    assert first.size >= pack_format.TARGET

    report = held.upload()

    assert report.sent.bytes < sum(map(len, large.values())) - (30 << 20)
    assert first in held.versions("packs/")
    with held.library() as opened:
        assert held.restored(opened, "pier-3") == large
