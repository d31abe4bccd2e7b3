"""One object off-site that is damaged, gone, unreadable or locked for longer: the rest goes on.

Every fault is made on a real server, and by what may happen there to anybody: a bit that turned, a
lock that ended, a store that was made again with another number of days.
"""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import LinkError
from holdstill.keeper import thin
from holdstill.model.names import check_board
from holdstill.model.settings import Retention
from holdstill.offsite import check, keeper_heads, merged_head, offsite_settings, promises, sent
from holdstill.offsite.bucket import RefusedError, Version
from holdstill.offsite.check import Own
from holdstill.offsite.keeper_heads import UnreadHeadError
from holdstill.system.process import LocalRunner
from support import faulty_proxy
from support.faulty_proxy import Fault
from support.offsite import CopiedStore, contents_of
from support.seaweed import Seaweed
from support.silence import Silent

pytestmark = pytest.mark.timeout(300)
ALL = Retention(days=1000, at_least=100)
KEPT = {b"etc/hostname": b"pier-3\n", b"srv/kept": os.urandom(60_000)}
SHARED = {b"shared-%d" % number: os.urandom(5000) for number in range(8)}


def made(server: Seaweed, folder: Path, *, lock_days: int) -> CopiedStore:
    held = CopiedStore(folder, server.address(is_locked=lock_days > 0), lock_days=lock_days)
    held.held.enrol("pier-3")
    return held


def turn_a_bit(held: CopiedStore, *, place: float) -> None:
    """Have another bit in the largest pack, so far through its bytes; no lock holds it."""
    pack = max(held.versions("packs/"), key=lambda one: one.size)
    data = bytearray(held.bucket.read(pack))
    data[int(len(data) * place)] ^= 1
    turned = bytes(data)
    held.bucket.delete(pack.key, pack.id)
    held.bucket.put(pack.key, turned, promises.md5_of(turned))


def test_a_content_that_is_damaged_costs_the_captures_that_need_it_alone(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path / "old", lock_days=0)
    first = held.capture("pier-3", {b"of its own": os.urandom(3000)})
    held.upload()
    for _ in range(3):
        held.capture("pier-3", SHARED | {b"night": os.urandom(3000)})
        held.upload()
    turn_a_bit(held, place=0.5)
    root = tmp_path / "new"

    runs = [held.restore(root) for _ in range(2)]

    for report in runs:
        assert report.captures == [f"pier-3/{first}"]
        assert len(report.troubles) == 3
        assert all("is not as it was sent" in one.problem for one in report.troubles)
    turn_a_bit(held, place=0.5)  # back

    assert len(held.restore(root).captures) == 4
    assert contents_of(root) == contents_of(held.root)


def keep_here(held: CopiedStore, captures: int) -> None:
    settings = offsite_settings.read(held.root)
    proved = settings.keys.proof(settings.keeper)
    changed = msgspec.structs.replace(settings, keep_here=captures, proved=proved)
    offsite_settings.write(held.root, changed)


def lose(held: CopiedStore, table: str, where: str) -> None:
    """Note another version of what was put, one that the server never had: that is gone."""
    never = f"UPDATE {table} SET version = '6713089658e0e745845ca8d5b5a9503b' WHERE {where}"  # noqa: S608  words of this file
    with closing(sqlite3.connect(held.root / sent.NAME)) as db, db:
        db.execute(never)


def locked_days(held: CopiedStore, begin: str) -> list[float]:
    """Return for how many days each version is locked that begins so."""
    return [_days(held, one) for one in held.versions(begin)]


def _days(held: CopiedStore, one: Version) -> float:
    try:
        end = held.bucket.locked(one.key, one.id).until
    except RefusedError:  # sealed with another key: nobody has locked that
        return 0
    return (end - held.bucket.now()).total_seconds() / 86400 if end else 0


def test_a_pack_of_captures_that_left_is_gone_and_the_run_goes_on(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=3)
    first = held.capture("pier-3", {b"first": os.urandom(3000)})
    held.upload(rule=ALL)
    for _ in range(2):
        held.capture("pier-3", {b"night": os.urandom(3000)})
        held.upload(rule=ALL)
    keep_here(held, 1)
    assert len(held.upload(rule=ALL).left) == 2
    keep_here(held, 1000)
    lose(held, "pack", "id = 1")
    held.make_locks_due()
    held.lock_days = 5
    held.set_up()
    for _ in range(2):
        newest = held.capture("pier-3", {b"night": os.urandom(3000)})

        report = held.upload(rule=ALL)

        (trouble,) = report.troubles
        assert "is lost off-site" in trouble.problem
        assert f"pier-3/{first}" in trouble.problem
        assert report.sent.captures == [f"pier-3/{newest}"]
    assert [days > 4.9 for days in locked_days(held, "packs/")].count(False) == 1


def test_a_pack_of_a_capture_that_was_thinned_since_is_no_loss(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=3)
    first = held.capture("pier-3", {b"first": os.urandom(3000)})
    held.upload(rule=ALL)
    held.capture("pier-3", {b"second": os.urandom(3000)})
    held.upload(rule=ALL)
    thin.delete_these(
        held.held.store, check_board("pier-3"), [first], clock=held.clock, runner=LocalRunner()
    )
    lose(held, "pack", "id = 1")
    held.make_locks_due()

    assert held.upload(rule=ALL).troubles == ()
    assert held.upload(rule=ALL).troubles == ()
    with held.library() as opened:
        assert len(held.restored(opened, "pier-3/2")) == 1


@pytest.mark.parametrize("is_forgotten", [True, False], ids=["notes lost", "noted"])
def test_what_is_locked_for_longer_than_asked_stays_so(
    server: Seaweed, tmp_path: Path, *, is_forgotten: bool
) -> None:
    """As of a store that is made again, and locks for fewer days than it did."""
    held = made(server, tmp_path, lock_days=9)
    held.capture("pier-3", KEPT)
    held.upload()
    if is_forgotten:
        (held.root / sent.NAME).unlink()
    else:
        held.make_locks_due()
    held.lock_days = 3
    held.set_up()
    newest = held.capture("pier-3", KEPT | {b"new": os.urandom(3000)})

    report = held.upload()

    assert report.troubles == ()
    assert report.sent.captures == [f"pier-3/{newest}"]
    assert sorted(map(round, locked_days(held, ""))) == [3, 3, 9, 9]
    held.capture("pier-3", KEPT)
    assert held.upload().extended == 0  # the server's date was noted


def test_a_pack_that_another_keeper_locks_for_longer_is_shared(
    server: Seaweed, tmp_path: Path
) -> None:
    one = made(server, tmp_path / "one", lock_days=9)
    one.capture("pier-3", KEPT)
    one.upload()
    two = CopiedStore(tmp_path / "two", one.address, lock_days=3, key=one.key)
    two.set_up(keeper="fedcba9876543210")
    two.held.enrol_with("pier-3", one.held.keys["pier-3"])
    two.clock = one.clock
    two.capture("pier-3", KEPT)
    assert two.upload(is_shared=True).adopted == 1
    two.make_locks_due()

    report = two.upload()

    assert report.troubles == ()
    assert 9 in map(round, locked_days(two, "packs/"))


def test_one_lock_that_is_refused_keeps_no_other_from_being_lengthened(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=3)
    for _ in range(3):
        held.capture("pier-3", {b"night": os.urandom(3000)})
        held.upload()
    held.make_locks_due()
    held.lock_days = 5
    held.set_up()
    newest = held.capture("pier-3", KEPT)
    with faulty_proxy.running(server.port) as proxy:
        # The list, the version, then head after head: the second one's lock.
        proxy.planned(Fault.DENIED, 4, many=2)

        report = held.upload(by_way_of=proxy.endpoint)

    (trouble,) = report.troubles
    assert "1 lock could not be lengthened" in trouble.problem
    assert report.sent.captures == [f"pier-3/{newest}"]
    assert [days > 4.9 for days in locked_days(held, "")].count(False) == 1
    assert held.upload().troubles == ()
    assert all(days > 4.9 for days in locked_days(held, ""))


@pytest.mark.parametrize("is_due", [True, False], ids=["due", "not due"])
def test_a_head_that_is_gone_does_not_end_the_run_that_merges_heads(
    server: Seaweed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, is_due: bool
) -> None:
    monkeypatch.setattr(merged_head, "MANY", 6)
    held = made(server, tmp_path, lock_days=3)
    nights = [KEPT | {b"night": b"%d" % night} for night in range(12)]
    told: list[int] = []
    for number, files in enumerate(nights, start=1):
        held.capture("pier-3", files)
        troubles = [one.board for one in held.upload(rule=ALL).troubles]
        assert troubles in ([], ["head 3"])
        told += [number for _ in troubles]
        if number == 3:
            lose(held, "head", "number = 3")
            if is_due:
                held.make_locks_due()

    # When its lock is due each run tells it; else those in which there are more than six heads:
    # of seven four become one, and then of 1, 2, 3, 8 and three more once again.
    assert told == (list(range(4, 13)) if is_due else [7, 10])
    with sent.opened(held.root / sent.NAME) as noted:
        merged = {one.number: one.merged_by for one in noted.heads()}
    assert [merged[number] for number in (1, 2, 3)] == [0, 0, 0]
    assert merged[4] == merged[5] != 0
    with held.library() as opened:  # where head 3 is, for it was not really deleted
        assert opened.catalogue.faults == []
        for number, files in enumerate(nights, start=1):
            assert held.restored(opened, f"pier-3/{number}") == files


def seal_with_another_key(held: CopiedStore, key: str, size: int = 300) -> None:
    """Put an object that only who has its key can read (SSE-C): the server hands it to no other.

    Amazon S3's user guide, "server-side encryption with customer-provided keys", from memory.
    """
    held.bucket.client.put_object(
        Bucket=held.address.bucket, Key=held.address.prefix + key, Body=os.urandom(size),
        SSECustomerAlgorithm="AES256", SSECustomerKey=os.urandom(32),
    )  # fmt: skip


def checked(held: CopiedStore) -> check.OffsiteCheck:
    with sent.opened(held.root / sent.NAME) as noted:
        settings = offsite_settings.read(held.root)
        own = Own(settings.keeper, settings.keys.heads, noted.last_head(), noted.every_head)
        return check.check(held.bucket, Silent(), own=own, parts=1, turn=0)


OF_NOBODY = keeper_heads.key_of("0" * 16, 1)
NEXT = keeper_heads.key_of("0123456789abcdef", 3)


@pytest.mark.parametrize("where", [NEXT, OF_NOBODY, "over a head", "over a pack"])
def test_what_nobody_can_read_is_named_and_all_else_is_done(
    server: Seaweed, tmp_path: Path, where: str
) -> None:
    held = made(server, tmp_path, lock_days=3)
    for _ in range(2):
        held.capture("pier-3", KEPT | {b"night": os.urandom(3000)})
        held.upload()
    over = {"over a head": "keepers/", "over a pack": "packs/"}
    key = held.versions(over[where])[-1].key if where in over else where
    seal_with_another_key(held, key)
    held.make_locks_due()
    held.lock_days = 5
    held.set_up()
    newest = held.capture("pier-3", KEPT | {b"new": os.urandom(3000)})

    report = held.upload(is_shared=True)

    assert report.sent.captures == [f"pier-3/{newest}"]
    assert report.troubles == ()
    assert [days > 4.9 for days in locked_days(held, "")].count(False) == 1  # that one
    if where == NEXT:
        assert any(
            "head 3 of keeper 0123456789abcdef: it cannot" in one for one in report.warnings
        )
    assert len(held.upload().sent.captures) == 0
    with held.library() as opened:
        assert [key in one for one in opened.catalogue.faults] == [True] * (where != "over a pack")
        assert held.restored(opened, "pier-3/1").keys() == {*KEPT, b"night"}
    assert len(held.restore(tmp_path / "new").captures) == 3
    found = checked(held)
    assert (found.missing, found.lost_packs) == ((), ())
    assert any(
        key in one or key.removeprefix("packs/") in one for one in (*found.altered, *found.odd)
    )


@pytest.mark.parametrize("is_forgotten", [True, False], ids=["notes lost", "in doubt"])
def test_an_unread_head_that_may_be_ours_is_not_put_over(
    server: Seaweed, tmp_path: Path, *, is_forgotten: bool
) -> None:
    """Readers would take it, if it is ours and they can read it later; all else is locked."""
    held = made(server, tmp_path, lock_days=3)
    for _ in range(2):
        held.capture("pier-3", KEPT | {b"night": os.urandom(3000)})
        held.upload()
    seal_with_another_key(held, NEXT)
    if is_forgotten:
        (held.root / sent.NAME).unlink()
    else:
        held.make_locks_due()
        with sent.opened(held.root / sent.NAME) as noted:
            noted.begin_head("0" * 64)
    held.lock_days = 5
    held.set_up()
    there = held.versions("")

    with pytest.raises(UnreadHeadError, match="head 3 of keeper"):
        held.upload()

    assert held.versions("") == there
    assert [days > 4.9 for days in locked_days(held, "")].count(False) == 1


def test_a_copy_of_which_nothing_can_be_read_is_a_failure_of_the_way_there(
    server: Seaweed, tmp_path: Path
) -> None:
    """As with an access key that may list and not read: nothing there is called lost."""
    held = made(server, tmp_path, lock_days=3)
    held.capture("pier-3", KEPT)
    held.upload()
    with faulty_proxy.running(server.port) as proxy:
        proxy.planned(Fault.DENIED, 2, many=1000)  # after the list of heads
        with (
            pytest.raises(LinkError, match="no head there can be read"),
            held.library(by_way_of=proxy.endpoint),
        ):
            pass


def test_a_pack_that_cannot_be_read_costs_its_captures_alone_and_is_not_called_lost(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path / "old", lock_days=0)
    first = held.capture("pier-3", {b"first": os.urandom(3000)})
    held.upload()
    second = held.capture("pier-3", {b"second": os.urandom(5000)})
    held.upload()
    pack = max(held.versions("packs/"), key=lambda one: one.size)
    held.bucket.delete(pack.key, pack.id)
    seal_with_another_key(held, pack.key, pack.size)

    report = held.restore(tmp_path / "new")
    found = checked(held)

    assert report.captures == [f"pier-3/{first}"]
    assert [one.board for one in report.troubles if second in one.board] == [f"pier-3/{second}"]
    assert any(pack.key in one.problem for one in report.troubles)
    assert (found.missing, found.lost_packs) == ((), ())
    (altered,) = found.altered
    assert "it cannot be read" in altered
