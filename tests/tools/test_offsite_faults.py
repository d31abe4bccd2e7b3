"""A server that fails at every call: nothing is lost, and nothing called safe that is not."""

import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from holdstill.errors import LinkError
from holdstill.offsite import check, pack_format
from support import faulty_proxy, seaweed
from support.faulty_proxy import Fault, FaultyProxy
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

FILES = {b"etc/hostname": b"pier-3\n", b"srv/readings": os.urandom(90_000)}
CHANGED = FILES | {b"etc/hostname": b"renamed\n", b"new": os.urandom(70_000)}
pytestmark = pytest.mark.timeout(300)


@pytest.fixture(scope="module")
def server() -> Iterator[Seaweed]:
    with seaweed.running() as one:
        yield one


@pytest.fixture(scope="module")
def proxy(server: Seaweed) -> Iterator[FaultyProxy]:
    with faulty_proxy.running(server.port) as one:
        yield one


@pytest.fixture(scope="module")
def twice(server: Seaweed, tmp_path_factory: pytest.TempPathFactory) -> CopiedStore:
    """Return a store with two captures, of which the first is off-site."""
    made = CopiedStore(tmp_path_factory.mktemp("twice"), server.address())
    made.held.enrol("pier-3")
    return made


def in_a_bucket_of_its_own(held: CopiedStore, server: Seaweed) -> None:
    """Begin anew, with the store as it is and nothing off-site."""
    held.address = server.address()
    (held.root / "offsite.sqlite").unlink(missing_ok=True)
    held.set_up()


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


@pytest.mark.parametrize("fault", Fault)
def test_a_fault_at_each_call(
    fault: Fault, server: Seaweed, proxy: FaultyProxy, twice: CopiedStore
) -> None:
    if not (twice.root / "boards/pier-3/ledger.jsonl").read_bytes():
        twice.capture("pier-3", FILES)
        twice.capture("pier-3", CHANGED)
    at, broke = 0, 0
    while True:
        at += 1
        in_a_bucket_of_its_own(twice, server)
        proxy.planned(fault, at, many=1 if at % 2 else 1000)
        finished = None
        with suppress(LinkError):
            finished = twice.upload(by_way_of=proxy.endpoint)
        broke += finished is None
        calls = proxy.plan.calls
        before = told_captures(twice)
        if finished is not None:
            assert {name.split("/")[1] for name in finished.sent.captures} == before
        # The next run, without faults, does the rest.
        proxy.planned(fault, 0)
        again = twice.upload(by_way_of=proxy.endpoint)
        assert len(told_captures(twice)) == 2
        assert again.troubles == ()
        found = check.check(twice.bucket, Silent(), own=None, parts=1, turn=0)
        assert (found.missing, found.altered, found.unlocked) == ((), (), ())
        if at > calls:  # this run had no such call
            break
    assert at >= 5
    # Answers of puts have no bytes that could be cut.
    assert broke >= {Fault.SLOW: 0, Fault.CUT_ANSWER: 1}.get(fault, 3)


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
        except LinkError:
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


def test_what_a_run_that_broke_off_has_put_is_not_sent_again(
    server: Seaweed, proxy: FaultyProxy, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address())
    held.held.enrol("pier-3")
    large = {b"large-%d" % n: os.urandom(12 << 20) for n in range(6)}
    held.capture("pier-3", large)
    proxy.planned(Fault.CUT_BEFORE, 4, many=1000)  # list, put and look at a pack, put another
    with pytest.raises(LinkError):
        held.upload(by_way_of=proxy.endpoint)
    (first,) = held.versions("packs/")
    assert first.size >= pack_format.TARGET

    report = held.upload()

    assert report.sent.bytes < sum(map(len, large.values())) - (30 << 20)
    assert first in held.versions("packs/")
    with held.library() as opened:
        assert held.restored(opened, "pier-3") == large
