"""The check of an off-site copy asks for all that a restore needs: also that it cannot be lost."""

import os
from datetime import timedelta
from pathlib import Path

import pytest

from holdstill.offsite import check, promises, run_notes, sent
from holdstill.offsite.check import OffsiteCheck, Own
from support.bucket_harms import heads, packs
from support.command_line import attempt, holdstill
from support.offsite import CopiedStore
from support.seaweed import Seaweed
from support.silence import Silent

FILES = {b"etc/hostname": b"pier-3\n", b"srv/readings": os.urandom(90_000)}


@pytest.fixture
def unlocked(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Return a store whose copy is in a bucket with locks, and was sent without them."""
    made = CopiedStore(tmp_path, server.address(), lock_days=0)
    made.held.enrol("pier-3")
    made.capture("pier-3", FILES)
    made.upload()
    made.lock_days = 3
    made.set_up()
    return made


def checked(held: CopiedStore, *, with_notes: bool = False) -> OffsiteCheck:
    own = None
    if with_notes:
        with sent.opened(held.root / sent.NAME) as noted:
            own = Own("0123456789abcdef", held.key.of_keeper.heads, noted.last_head(), None)
    return check.check(held.bucket, Silent(), own=own, parts=1, turn=0)


def test_a_lock_on_what_was_put_over_a_pack_is_none(unlocked: CopiedStore) -> None:
    (pack,) = packs(unlocked)
    junk = b"junk"
    until = unlocked.bucket.now() + timedelta(days=30)
    unlocked.bucket.put(pack.key, junk, promises.md5_of(junk), until=until)

    found = checked(unlocked)

    name = pack.key.removeprefix("packs/")
    assert found.unlocked_packs == (name,)
    assert any(text.startswith(f"pack {name}") for text in found.unlocked)


@pytest.mark.parametrize("with_notes", [False, True])
def test_a_head_that_is_not_locked_is_told(unlocked: CopiedStore, *, with_notes: bool) -> None:
    (head,) = heads(unlocked)
    (pack,) = packs(unlocked)
    unlocked.bucket.extend(pack.key, pack.id, unlocked.bucket.now() + timedelta(days=1))

    found = checked(unlocked, with_notes=with_notes)

    assert found.unlocked_heads == (1,)
    assert found.unlocked == ("head 1 of keeper 0123456789abcdef: it is not locked",)
    unlocked.bucket.extend(head.key, head.id, unlocked.bucket.now() + timedelta(days=1))
    assert checked(unlocked, with_notes=with_notes).unlocked == ()


def test_what_is_not_locked_is_locked_by_the_next_run(unlocked: CopiedStore) -> None:
    """Also where the notes have dates of locks that never were."""
    with sent.opened(unlocked.root / sent.NAME) as noted:
        noted.note_lock("pack", noted.packs()[0].name, "2099-01-01T00:00:00Z")
        noted.note_lock("head", 1, "2099-01-01T00:00:00Z")
    assert unlocked.upload().extended == 0
    assert attempt("offsite", "verify", "--store", unlocked.root).returncode == 8

    assert unlocked.upload().extended == 2

    holdstill("offsite", "verify", "--store", unlocked.root)


def test_a_pack_whose_bytes_were_altered_is_sent_again(server: Seaweed, tmp_path: Path) -> None:
    held = CopiedStore(tmp_path, server.address(is_locked=False), lock_days=0)
    held.held.enrol("pier-3")
    held.capture("pier-3", FILES)
    held.upload()
    (pack,) = packs(held)
    data = bytearray(held.bucket.read(pack))
    data[len(data) // 2] ^= 1
    held.bucket.put(pack.key, bytes(data), promises.md5_of(bytes(data)))
    assert attempt("offsite", "verify", "--store", held.root).returncode == 7

    for _ in range(2):
        assert held.upload().troubles == ()

    assert pack.key not in {one.key for one in packs(held)}
    holdstill("offsite", "verify", "--store", held.root)
    with held.library() as opened:
        assert held.restored(opened, "pier-3") == FILES


def test_a_pack_that_is_gone_when_its_lock_is_due_is_sent_again_by_that_run(
    server: Seaweed, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address(), lock_days=0)
    held.held.enrol("pier-3")
    held.capture("pier-3", FILES)
    held.upload()
    (pack,) = packs(held)
    held.bucket.delete(pack.key, pack.id)
    held.lock_days = 3
    held.set_up()

    report = held.upload()

    assert (report.sent.packs, report.troubles) == (1, ())
    with held.library() as opened:
        assert held.restored(opened, "pier-3") == FILES


def test_a_content_of_a_lost_pack_that_is_damaged_here_is_named_and_the_others_are_sent(
    server: Seaweed, tmp_path: Path
) -> None:
    held = CopiedStore(tmp_path, server.address(is_locked=False), lock_days=0)
    held.held.enrol("pier-3")
    held.capture("pier-3", FILES)
    held.upload()
    (pack,) = packs(held)
    held.bucket.delete(pack.key, pack.id)
    (damaged,) = (p for p in held.root.rglob("*") if p.is_file() and p.stat().st_size == 90_000)
    damaged.chmod(0o600)
    damaged.write_bytes(os.urandom(90_000))
    attempt("offsite", "verify", "--store", held.root)

    report = held.upload()

    (trouble,) = report.troubles
    assert pack.key.removeprefix("packs/") in trouble.board
    assert "1 content of it cannot be sent again" in trouble.problem
    assert report.sent.contents > 3
    assert report.left == []


def test_a_part_that_was_missed_is_read_next(server: Seaweed, tmp_path: Path) -> None:
    held = CopiedStore(tmp_path, server.address())
    held.held.enrol("pier-3")
    for _ in range(6):
        held.capture("pier-3", {b"night": os.urandom(2000)})
        held.upload()
    parts = 4

    for _ in range(parts):
        holdstill("offsite", "verify", "--store", held.root, "--parts", parts)

    notes = run_notes.load(held.root)
    assert notes is not None
    assert notes.part == parts
    read = [
        check.check(held.bucket, Silent(), own=None, parts=parts, turn=turn + 1).read
        for turn in range(parts)
    ]
    assert sum(read) == len(packs(held)) == 6
