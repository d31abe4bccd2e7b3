"""Notes that were made again from heads let no capture count as sent for what a thief has put."""

import hashlib
import os
import tracemalloc
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import SecurityError
from holdstill.model.settings import Retention
from holdstill.offsite import catalogue, head, offsite_settings, sent
from holdstill.offsite.pack_format import ROW_SIZE, Row
from support import bucket_lies
from support.bucket_harms import put
from support.offsite import CopiedStore
from support.seaweed import Seaweed

ALL = Retention(days=1000, at_least=100)
TO_COME = b"a library that every board has tomorrow\n" * 200


@pytest.fixture
def copied(server: Seaweed, tmp_path: Path) -> CopiedStore:
    """Return a store that has sent a capture, and to whose heads a thief has added one."""
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    made.capture("pier-3", {b"night": os.urandom(3000)})
    made.upload()
    noise_that_says_it_has(made, TO_COME)
    return made


def noise_that_says_it_has(held: CopiedStore, content: bytes) -> None:
    """A pack that no capture to come can be read from, and one that keeps it needed."""
    noise = os.urandom(50_000)
    name = hashlib.sha256(noise).hexdigest()
    put(held, f"packs/{name}", noise)
    row = Row(hashlib.sha256(content).digest(), 100, 2000, 0).encode()
    key = held.key.of_keeper.seal(b"k" * 32)
    first = bucket_lies.first_head(held).sealed.captures[0].brief
    invented = msgspec.structs.replace(first, name="000009-20200101T000000Z", seq=9)
    lie = head.SealedPart(
        packs=(head.PackRows(name=name, sealed_key=key, rows=row),),
        away=(head.AwayCapture(board="pier-3", brief=invented, packs=(name,)),),
    )
    came = (head.PackObject(name=name, size=len(noise)),)
    bucket_lies.put_lie(held, lie, came=came, number=2)


def keep_here(held: CopiedStore, captures: int) -> None:
    settings = offsite_settings.read(held.root)
    proved = settings.keys.proof(settings.keeper)
    changed = msgspec.structs.replace(settings, keep_here=captures, proved=proved)
    offsite_settings.write(held.root, changed)


def test_a_content_that_a_thief_says_is_there_is_sent(copied: CopiedStore) -> None:
    (copied.root / sent.NAME).unlink()
    (warning,) = copied.upload().warnings
    assert "does not count as sent" in warning
    for night in range(2):
        copied.capture("pier-3", {b"lib": TO_COME, b"own": b"%d" % night * 900})

    copied.upload()

    with copied.library() as opened:
        for number in (2, 3):
            assert copied.restored(opened, f"pier-3/{number}")[b"lib"] == TO_COME


def test_what_leaves_can_be_read_whatever_a_thief_has_told(copied: CopiedStore) -> None:
    (copied.root / sent.NAME).unlink()
    keep_here(copied, 1)
    for night in range(2):
        copied.capture("pier-3", {b"lib": TO_COME, b"own": b"%d" % night * 900})

    left = copied.upload(rule=ALL).left

    assert [name.split("/")[1][:6] for name in left] == ["000001", "000002"]
    with copied.library() as opened:
        for number in (1, 2, 3):
            assert copied.restored(opened, f"pier-3/{number}")


def test_a_capture_whose_name_a_thief_has_told_of_is_not_said_to_be_there(
    copied: CopiedStore,
) -> None:
    name = copied.capture("pier-3", {b"night": b"two"})
    first = bucket_lies.first_head(copied).sealed.captures[0]
    brief = msgspec.structs.replace(first.brief, name=name, seq=2)
    lie = head.SealedPart(
        captures=(head.SentCapture(board="pier-3", brief=brief, documents=(bytes(32),) * 3),)
    )
    bucket_lies.put_lie(copied, lie, number=3)
    (copied.root / sent.NAME).unlink()

    (trouble,) = copied.upload().troubles

    assert trouble.board == f"pier-3/{name}"
    assert "another capture of this name was told of off-site" in trouble.problem
    assert trouble.exit_code == SecurityError.exit_code


def test_what_captures_need_is_sent_anew_once_and_what_was_there_stays_until_then(
    server: Seaweed, tmp_path: Path
) -> None:
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    for _ in range(2):
        made.capture("pier-3", {b"night": os.urandom(3000), b"shared": bytes(5000)})
        made.upload()
    there = {*made.versions("")}
    first = sum(one.size for one in made.versions("packs/"))
    (made.root / sent.NAME).unlink()

    report = made.upload()

    assert 0.9 * first < report.sent.bytes < 1.1 * first
    assert there < {*made.versions("")}
    assert made.upload().sent.packs == 0


def test_a_keeper_that_tells_of_too_much_is_cut_there_and_named(
    server: Seaweed, tmp_path: Path
) -> None:
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    for _ in range(3):
        made.capture("pier-3", {b"night": os.urandom(3000)})
        made.upload()
    first = len(bucket_lies.first_head(made).sealed.packs[0].rows) // ROW_SIZE
    folder = tmp_path / "catalogue"
    folder.mkdir()

    keys = made.key.of_keeper
    with catalogue.opened(made.bucket, keys.heads, folder, most=first) as found:
        assert [len(heads) for heads in found.heads.values()] == [1]
        (fault,) = found.faults

    assert fault.startswith("head 2 of keeper")
    assert "are left out" in fault


def test_a_small_head_that_unpacks_to_much_costs_the_keeper_nothing(
    server: Seaweed, tmp_path: Path
) -> None:
    """Its digest says that it is not the keeper's, before it is unpacked."""
    made = CopiedStore(tmp_path, server.address())
    made.held.enrol("pier-3")
    made.capture("pier-3", {b"night": b"one"})
    made.upload()
    lie = head.SealedPart(released=(("", ""),) * 4_000_000)
    bucket_lies.put_lie(made, lie, number=2)
    there = made.versions("")
    tracemalloc.start()

    try:
        with pytest.raises(SecurityError, match="this store has not put head"):
            made.upload()
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert peak < 16 << 20
    assert made.versions("") == there
