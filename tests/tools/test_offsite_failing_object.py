"""A server that fails (5xx) at one object each time: that is named, and the rest is done.

Answers of the class 5xx are the server's own failures (RFC 9110, 15.6). The server is real; the
proxy before it answers for that object alone.
"""

import base64
import dataclasses
import hashlib
import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from holdstill.errors import LinkError, VerificationError
from holdstill.model.settings import Retention
from holdstill.offsite import check, keeper_heads, offsite_settings, promises, run_notes, sent
from holdstill.offsite.bucket import Bucket, FailingObjectError
from holdstill.offsite.check import OffsiteCheck, Own
from holdstill.system.clocks import SystemClock
from holdstill.workflow import offsite_prove, offsite_restore
from support import faulty_proxy, seaweed
from support.command_line import attempt
from support.faulty_proxy import Fault, FaultyProxy
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

pytestmark = pytest.mark.timeout(300)
ALL = Retention(days=1000, at_least=100)
BAD = pytest.mark.parametrize("fault", [Fault.INTERNAL, Fault.FULL])
SECOND = keeper_heads.key_of("0123456789abcdef", 2)


@pytest.fixture
def proxy(server: Seaweed) -> Iterator[FaultyProxy]:
    with faulty_proxy.running(server.port) as one:
        yield one


@pytest.fixture
def held(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Three nights, each with a pack and a head of its own."""
    made = CopiedStore(tmp_path / "old", server.address())
    made.held.enrol("pier-3")
    for night in range(3):
        made.capture("pier-3", {b"night": os.urandom(3000 + night)})
        made.upload(rule=ALL)
    return made


def second_pack(held: CopiedStore) -> str:
    with sent.opened(held.root / sent.NAME) as noted:
        return keeper_heads.pack_key(noted.packs()[1].name)


def checked(held: CopiedStore, proxy: FaultyProxy) -> OffsiteCheck:
    """Look at all as the keeper does, by way of the proxy."""
    with sent.opened(held.root / sent.NAME) as noted:
        settings = offsite_settings.read(held.root)
        own = Own(settings.keeper, settings.keys.heads, noted.last_head(), noted.every_head)
        address = dataclasses.replace(held.address, endpoint=proxy.endpoint)
        bucket = Bucket(address, seaweed.KEEPER, attempts=1)
        return check.check(bucket, Silent(), own=own, parts=1, turn=0)


@BAD
@pytest.mark.parametrize("what", ["pack", "head"])
def test_an_upload_names_it_and_sends_the_rest(
    held: CopiedStore, proxy: FaultyProxy, what: str, fault: Fault
) -> None:
    key = SECOND if what == "head" else second_pack(held)
    held.make_locks_due()
    held.lock_days = 5
    held.set_up()
    newest = held.capture("pier-3", {b"night": os.urandom(3000)})
    proxy.failing_at(key, fault)

    report = held.upload(by_way_of=proxy.endpoint, rule=ALL)

    (trouble,) = report.troubles
    assert trouble.exit_code != 0
    assert key in trouble.problem
    assert report.sent.captures == [f"pier-3/{newest}"]
    assert proxy.plan.calls < 60
    with sent.opened(held.root / sent.NAME) as noted:
        assert noted.lost() == frozenset()
    proxy.failing_at("")
    assert held.upload(by_way_of=proxy.endpoint, rule=ALL).troubles == ()


@BAD
def test_verify_names_a_pack_and_reads_the_others(
    held: CopiedStore, proxy: FaultyProxy, fault: Fault
) -> None:
    key = second_pack(held)
    proxy.failing_at(key, fault)

    found = checked(held, proxy)

    (altered,) = found.altered
    assert key in altered
    assert "cannot be read" in altered
    assert found.unread == (altered,)
    assert (found.read, found.missing, found.lost_packs) == (3, (), ())


def test_verify_names_a_head_and_reads_the_others(held: CopiedStore, proxy: FaultyProxy) -> None:
    proxy.failing_at(SECOND)

    found = checked(held, proxy)

    (altered,) = found.altered
    assert SECOND in altered
    assert found.unread == (altered,)
    assert (found.read, found.missing, found.lost_packs) == (2, (), ())


@pytest.mark.parametrize("what", ["pack", "head"])
def test_a_lock_that_the_server_does_not_tell_of_is_not_called_missing(
    held: CopiedStore, proxy: FaultyProxy, what: str
) -> None:
    key = SECOND if what == "head" else second_pack(held)
    proxy.failing_at(key, command="HEAD")

    found = checked(held, proxy)

    (unsaid,) = found.unsaid
    assert key in unsaid
    assert (found.unlocked, found.altered, found.missing) == ((), (), ())


def test_a_locked_version_counts_beside_one_of_which_nothing_is_said(
    held: CopiedStore, proxy: FaultyProxy
) -> None:
    key = second_pack(held)
    data = held.bucket.read(next(one for one in held.versions("packs/") if one.key == key))
    held.bucket.put(
        key, data, promises.md5_of(data), until=SystemClock().now() + timedelta(days=2)
    )
    first, again = [one for one in held.versions("packs/") if one.key == key]
    for failing in (first, again):
        proxy.failing_at(failing.id, command="HEAD")
        assert checked(held, proxy).unsaid == ()


@pytest.mark.parametrize("what", ["pack", "head"])
def test_what_the_server_fails_at_is_for_who_runs_it(
    held: CopiedStore, proxy: FaultyProxy, what: str
) -> None:
    proxy.failing_at(SECOND if what == "head" else second_pack(held))
    held.set_up(address=str(held.address).replace(held.address.endpoint, proxy.endpoint))

    done = attempt("offsite", "verify", "--store", held.root)

    assert done.returncode == VerificationError.exit_code
    notes = run_notes.load(held.root)
    assert notes is not None
    (finding,) = notes.findings
    assert "ask who runs the server" in finding
    assert "--again" not in finding


def test_a_lock_at_which_the_server_fails_is_for_who_runs_it(
    held: CopiedStore, proxy: FaultyProxy
) -> None:
    held.make_locks_due()
    held.lock_days = 5
    held.set_up()
    proxy.failing_at(second_pack(held))

    (trouble,) = held.upload(by_way_of=proxy.endpoint, rule=ALL).troubles

    assert "who runs it" in trouble.hint
    assert "PutObjectRetention" not in trouble.hint


def test_a_pack_with_something_over_it_is_not_lost_while_the_server_fails_at_it(
    held: CopiedStore, proxy: FaultyProxy, server: Seaweed
) -> None:
    key = second_pack(held)
    junk = b"put over it with a stolen key"
    md5 = base64.b64encode(hashlib.md5(junk, usedforsecurity=False).digest()).decode()
    held.bucket.put(key, junk, md5)
    (first, *_) = [one for one in held.versions("packs/") if one.key == key and one.size > 100]
    proxy.failing_at(first.id)

    found = checked(held, proxy)

    assert found.lost_packs == ()
    assert any(key in one and "cannot be read" in one for one in found.altered)


def test_nothing_is_proved_while_the_server_fails_at_a_head(
    held: CopiedStore, proxy: FaultyProxy
) -> None:
    proxy.failing_at(SECOND)

    with (
        held.library(by_way_of=proxy.endpoint) as library,
        pytest.raises(LinkError, match="nothing is proved"),
    ):
        offsite_prove.prove(library, held.key)


@BAD
@pytest.mark.parametrize("what", ["pack", "head"])
def test_a_restore_names_it_and_makes_the_rest_again(
    held: CopiedStore, proxy: FaultyProxy, tmp_path: Path, what: str, fault: Fault
) -> None:
    key = SECOND if what == "head" else second_pack(held)
    proxy.failing_at(key, fault)
    root = tmp_path / "new"

    with held.library(by_way_of=proxy.endpoint) as library:
        report = offsite_restore.restore(library, root, clock=SystemClock(), progress=Silent())
        # Else an upload from there would give up what was not made again.
        assert not offsite_restore.continue_there(root, library, held.key.of_keeper, access_key="")

    assert len(report.captures) == 2
    assert not offsite_settings.is_there(root)
    assert any(key in one.problem and one.exit_code for one in report.troubles)
    assert proxy.plan.calls < 60
    proxy.failing_at("")
    assert len(held.restore(root, by_way_of=proxy.endpoint).captures) == 3


def test_a_pack_that_cannot_be_put_ends_the_run_by_its_name_and_the_next_run_goes_on(
    held: CopiedStore, proxy: FaultyProxy
) -> None:
    newest = held.capture("pier-3", {b"night": os.urandom(3000)})
    there = {one.key for one in held.versions("packs/")}
    proxy.planned(Fault.INTERNAL, 2)  # after the list of heads

    with pytest.raises(LinkError, match=r"packs/[0-9a-f]{64}: InternalError"):
        held.upload(by_way_of=proxy.endpoint, rule=ALL)

    assert {one.key for one in held.versions("packs/")} == there
    proxy.planned(Fault.INTERNAL, 0)
    report = held.upload(by_way_of=proxy.endpoint, rule=ALL)
    assert report.sent.captures == [f"pier-3/{newest}"]


def test_a_head_that_cannot_be_put_is_named_by_each_run_and_no_pack_is_sent_twice(
    held: CopiedStore, proxy: FaultyProxy
) -> None:
    held.capture("pier-3", {b"night": os.urandom(3000)})
    proxy.failing_at(keeper_heads.key_of("0123456789abcdef", 4))
    for _ in range(2):
        with pytest.raises(LinkError, match="heads/0000000004"):
            held.upload(by_way_of=proxy.endpoint, rule=ALL)

    assert len(held.versions("packs/")) == 4


def test_a_server_that_fails_at_all_objects_is_told_so_after_some(
    held: CopiedStore, proxy: FaultyProxy
) -> None:
    proxy.failing_at("packs/")
    address = dataclasses.replace(held.address, endpoint=proxy.endpoint)
    bucket = Bucket(address, seaweed.KEEPER, attempts=1)
    kinds = []
    for number in range(20):
        with pytest.raises(LinkError) as met:
            bucket.locked(f"packs/{number}", "")
        kinds.append(isinstance(met.value, FailingObjectError))

    assert kinds == [True] * 15 + [False] * 5
