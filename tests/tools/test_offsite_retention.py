"""Off-site, what is needed stays locked; what is mostly dead is packed again; the rest goes."""

import os
from contextlib import suppress
from datetime import datetime
from pathlib import Path

import pytest

from holdstill.errors import LinkError
from holdstill.keeper import thin
from holdstill.model.names import check_board
from holdstill.model.settings import Retention
from holdstill.offsite import (
    check,
    head,
    keep_locked,
    keeper_heads,
    merged_head,
    promises,
    sent,
)
from holdstill.offsite.check import Own
from holdstill.offsite.locks import Locks
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import faulty_proxy
from support.command_line import holdstill
from support.faulty_proxy import Fault
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

NEWEST = Retention(days=0, weeks=0, months=0, years=0, at_least=1)
KEPT = {b"etc/hostname": b"pier-3\n", b"srv/kept": os.urandom(20_000)}


def made(server: Seaweed, folder: Path, *, lock_days: int) -> CopiedStore:
    is_locked = lock_days > 0
    held = CopiedStore(folder, server.address(is_locked=is_locked), lock_days=lock_days)
    held.held.enrol("pier-3")
    return held


def thin_to_one(held: CopiedStore) -> None:
    """Let retention keep the newest capture alone."""
    settings = held.folder / "keeper.yaml"
    settings.write_text(
        f"store: {held.root}\ntrash_days: 0\nretention: {{days: 0, weeks: 0, months: 0, years: 0, "
        "at_least: 1}\n",
        encoding="ascii",
    )
    holdstill("thin", "--apply", "--settings", settings)


def is_in_order(held: CopiedStore, *, is_locked: bool) -> None:
    found = check.check(held.bucket, Silent(), own=None, parts=1, turn=0, is_locked=is_locked)
    assert (found.missing, found.altered, found.unlocked, found.odd) == ((), (), (), ())


def test_locks_are_lengthened_when_it_is_time_and_not_before(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=2)
    held.capture("pier-3", KEPT)
    held.upload()
    assert held.upload().extended == 0
    held.make_locks_due()
    held.lock_days = 5
    held.set_up()

    report = held.upload()

    assert report.extended == 2
    for one in held.versions(""):
        end = held.bucket.locked(one.key, one.id).until
        assert end is not None
        assert (end - held.bucket.now()).total_seconds() > 4.9 * 86400
    assert held.upload().extended == 0


def test_a_pack_that_is_mostly_dead_is_packed_again_and_then_let_go(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=0)
    held.capture("pier-3", KEPT | {b"dead": os.urandom(900_000)})
    held.upload()
    (old,) = held.versions("packs/")
    held.capture("pier-3", KEPT)
    held.upload()
    thin_to_one(held)

    reports = [held.upload() for _ in range(3)]

    assert sum(report.deleted for report in reports) >= 1
    keys = {one.key for one in held.versions("packs/")}
    assert old.key not in keys
    assert sum(one.size for one in held.versions("packs/")) < 200_000
    with held.library() as opened:
        assert held.restored(opened, "pier-3") == KEPT
    is_in_order(held, is_locked=False)


def test_what_is_locked_is_not_let_go_whatever_the_notes_say(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=2)
    dead = KEPT | {b"dead": os.urandom(900_000)}
    held.capture("pier-3", dead)
    held.upload()
    held.capture("pier-3", KEPT)
    held.upload()
    there = held.versions("")
    thin_to_one(held)

    for _ in range(3):
        held.make_locks_due()
        held.upload()

    assert {one.id for one in there} <= {one.id for one in held.versions("")}
    with held.library() as opened:
        assert held.restored(opened, "pier-3/1") == dead
        assert held.restored(opened, "pier-3/2") == KEPT


def test_a_content_that_was_let_go_is_sent_again_when_it_is_needed(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=0)
    passing = KEPT | {b"passing": os.urandom(300_000)}
    held.capture("pier-3", passing)
    held.upload()
    held.capture("pier-3", KEPT)
    held.upload()
    thin_to_one(held)
    for _ in range(3):
        held.upload()
    held.capture("pier-3", passing)

    held.upload()

    with held.library() as opened:
        assert held.restored(opened, "pier-3/3") == passing
    is_in_order(held, is_locked=False)


@pytest.mark.timeout(900)
def test_many_heads_become_one_and_the_old_ones_go(server: Seaweed, tmp_path: Path) -> None:
    held = made(server, tmp_path, lock_days=0)
    board = check_board("pier-3")
    for night in range(merged_head.MANY + 3):
        held.capture("pier-3", KEPT | {b"night": b"%d" % night})
        held.upload()
        thin.delete_captures(
            held.held.store, board, NEWEST, clock=SystemClock(), runner=LocalRunner()
        )

    assert len(held.versions("keepers/")) <= 4  # the merged one, and those since
    is_whole(held, KEPT | {b"night": b"%d" % (merged_head.MANY + 2)})
    # Numbers are free now: what somebody puts there in this keeper's name is named.
    keys, settings = held.key.of_keeper, held.set_up()
    told = head.OpenPart(number=5, keeper=settings.keeper, previous="", at="")
    data = head.encode(told, head.SealedPart(), keys.heads)
    key = keeper_heads.key_of(settings.keeper, 5)
    version = held.bucket.put(key, data, promises.md5_of(data))
    with sent.opened(held.root / sent.NAME) as noted:
        own = Own(settings.keeper, keys.heads, noted.last_head(), noted.every_head)
        found = check.check(held.bucket, Silent(), own=own, parts=1, turn=0, is_locked=False)
    assert len(found.altered) == 1
    assert "head 5 of keeper" in found.altered[0]
    assert "has not put it" in found.altered[0]
    held.bucket.delete(key, version)
    # A keeper that has lost its notes goes on from there.
    (held.root / sent.NAME).unlink()
    held.capture("pier-3", KEPT | {b"night": b"the last"})
    report = held.upload()
    assert len(report.sent.captures) == 1
    (warning,) = report.warnings
    assert "were made again from" in warning
    assert report.sent.bytes < 100_000  # what the captures that are here need, once more
    assert held.upload().sent.packs == 0
    is_whole(held, KEPT | {b"night": b"the last"})


def test_notes_are_made_again_after_packs_were_let_go(server: Seaweed, tmp_path: Path) -> None:
    held = made(server, tmp_path, lock_days=0)
    board = check_board("pier-3")
    for night in range(5):
        held.capture("pier-3", {b"night": os.urandom(20_000)})
        held.upload()
        if night < 4:
            thin.delete_captures(
                held.held.store, board, NEWEST, clock=SystemClock(), runner=LocalRunner()
            )
    assert len(held.versions("packs/")) < 5
    (held.root / sent.NAME).unlink()

    report = held.upload()

    # What the captures that are here need is sent anew, once, and nothing of those that went.
    assert report.sent.bytes < 50_000
    assert held.upload().sent.packs == 0
    (warning,) = report.warnings
    assert "were made again from 5 heads" in warning
    is_in_order(held, is_locked=False)


def test_what_is_gone_there_is_sent_again_when_the_notes_are_made_again(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=0)
    nights = [KEPT | {b"night": os.urandom(30_000)} for _ in range(3)]
    for files in nights:
        held.capture("pier-3", files)
        held.upload()
    for lost in held.versions("packs/")[:2]:
        held.bucket.delete(lost.key, lost.id)
    (held.root / sent.NAME).unlink()

    report = held.upload()

    assert any("2 packs that heads tell of are gone" in text for text in report.warnings)
    with held.library() as opened:
        for number, files in enumerate(nights, start=1):
            assert held.restored(opened, f"pier-3/{number}") == files
    assert held.upload().sent.packs == 0


def is_whole(held: CopiedStore, newest: dict[bytes, bytes]) -> None:
    is_in_order(held, is_locked=False)
    with held.library() as opened:
        assert opened.catalogue.faults == []
        assert held.restored(opened, "pier-3") == newest


def test_wherever_a_run_breaks_off_what_heads_tell_is_there(
    server: Seaweed, tmp_path: Path
) -> None:
    """A pack that was packed again is not deleted before a head has told where that is now."""
    held = made(server, tmp_path, lock_days=0)
    held.capture("pier-3", KEPT | {b"dead": os.urandom(900_000)})
    held.upload()
    (old,) = held.versions("packs/")
    held.capture("pier-3", KEPT)
    held.upload()
    thin_to_one(held)
    with faulty_proxy.running(server.port) as proxy:
        # Each after one that came as far, or further: what that has put, no head has told of.
        for at in [one for last in range(2, 10) for one in (last, last, last - 1)]:
            proxy.planned(Fault.INTERNAL, at, many=1000)
            with suppress(LinkError):
                held.upload(by_way_of=proxy.endpoint)
            found = check.check(held.bucket, Silent(), own=None, parts=1, turn=0, is_locked=False)
            assert (found.missing, found.altered) == ((), ())
            with held.library() as opened:
                assert held.restored(opened, "pier-3") == KEPT

    held.upload()

    assert old.key not in {one.key for one in held.versions("packs/")}
    is_in_order(held, is_locked=False)


@pytest.mark.parametrize("fault", [Fault.DENIED, Fault.INTERNAL])
def test_a_pack_that_the_server_does_not_delete_is_told_and_deleted_later(
    server: Seaweed, tmp_path: Path, fault: Fault
) -> None:
    """An access key without the right to delete, or a broken disk: it costs for ever, unheard."""
    held = made(server, tmp_path, lock_days=0)
    held.capture("pier-3", KEPT | {b"dead": os.urandom(900_000)})
    held.upload()
    (old,) = held.versions("packs/")
    held.capture("pier-3", KEPT)
    held.upload()
    thin_to_one(held)
    with faulty_proxy.running(server.port) as proxy:
        proxy.failing_at(old.key, fault, command="DELETE")
        reports = [held.upload(by_way_of=proxy.endpoint) for _ in range(3)]

    assert old.key in {one.key for one in held.versions("packs/")}
    (warning, *_) = [text for report in reports for text in report.warnings]
    assert warning.startswith("1 pack that no capture needs any more is not deleted")
    assert old.key in warning
    assert "s3:DeleteObject" in warning
    with sent.opened(held.root / sent.NAME) as noted:
        for pack in noted.let_go():
            noted.note_held(pack.name, "")  # a day later
    held.upload()
    assert old.key not in {one.key for one in held.versions("packs/")}
    is_in_order(held, is_locked=False)


def test_what_another_keeper_has_locked_is_asked_for_again_a_day_later(
    server: Seaweed, tmp_path: Path
) -> None:
    held = made(server, tmp_path, lock_days=2)
    held.capture("pier-3", KEPT | {b"dead": os.urandom(900_000)})
    held.upload()
    (old,) = held.versions("packs/")
    held.capture("pier-3", {b"etc/hostname": b"other\n"})
    held.upload()
    thin_to_one(held)
    for _ in range(3):
        held.make_locks_due()
        held.upload()

    bucket = held.bucket
    with sent.opened(held.root / sent.NAME) as noted:
        (kept,) = (one for one in noted.let_go() if f"packs/{one.name}" == old.key)
        locks = Locks(bucket, 2, SystemClock())
        before = bucket.requests
        assert keep_locked.delete_told(bucket, noted, locks) == (0, "")
        assert bucket.requests == before
    end = held.bucket.locked(old.key, old.id).until
    assert end is not None
    assert datetime.fromisoformat(kept.until) == end
