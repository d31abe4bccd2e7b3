"""A thousand keepers that somebody has invented in the bucket: ours is found, and told apart."""

import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from holdstill.offsite import check, head, keeper_heads, offsite_settings, promises, sent
from holdstill.offsite.check import Own
from support import seaweed
from support.offsite import CopiedStore
from support.silence import Silent

pytestmark = [pytest.mark.timeout(600), pytest.mark.slow]
MANY = 1000
KEPT = {b"etc/hostname": b"pier-3\n"}


@pytest.fixture(scope="module")
def held(tmp_path_factory: pytest.TempPathFactory) -> Iterator[CopiedStore]:
    """A copy of two nights, with the heads of many keepers beside it: ours is in their middle."""
    with seaweed.running() as server:
        made = CopiedStore(tmp_path_factory.mktemp("held"), server.address(), lock_days=3)
        made.set_up(keeper="8000000000000000")
        made.held.enrol("pier-3")
        for night in range(2):
            made.capture("pier-3", KEPT | {b"night": b"%d" % night})
            made.upload()
        with ThreadPoolExecutor(4) as pool:
            list(pool.map(lambda number: invent(made, number), range(MANY)))
        yield made


def invent(made: CopiedStore, number: int) -> None:
    """Put a head of good form, as who has the access key can: sealed with a key of his own."""
    keeper = f"{number << 54:016x}"[:15] + "f"
    told = head.OpenPart(
        number=1, keeper=keeper, previous="", at="2026-01-01T00:00:00Z",
        came=(head.PackObject(name="ab" * 32, size=1000),),
    )  # fmt: skip
    data = head.encode(told, head.SealedPart(), os.urandom(32))
    made.bucket.put(keeper_heads.key_of(keeper, 1), data, promises.md5_of(data))


def processor_seconds(work: Callable[[], None]) -> float:
    before = time.process_time()
    work()
    return time.process_time() - before


def test_a_reader_finds_ours_in_seconds_and_says_what_else_is_there(
    held: CopiedStore, record_property: Callable[[str, object], None]
) -> None:
    def read() -> None:
        with held.library() as opened:
            faults = opened.catalogue.faults
            assert list(opened.catalogue.heads) == ["8000000000000000"]
            assert len(faults) == 4
            assert f"{MANY:,} heads of {MANY:,} keepers there" in faults[-1]
            assert opened.catalogue.bucket.requests < MANY + 20
            assert held.restored(opened, "pier-3/2") == KEPT | {b"night": b"1"}

    seconds = processor_seconds(read)

    record_property("processor_seconds", seconds)
    assert seconds < 20


def test_a_whole_keeper_is_made_again(held: CopiedStore, tmp_path: Path) -> None:
    report = held.restore(tmp_path / "new")

    assert len(report.captures) == 2
    assert report.troubles == []


def test_verify_tells_them_in_a_few_lines_and_what_they_tell_is_not_missed(
    held: CopiedStore,
) -> None:
    with sent.opened(held.root / sent.NAME) as noted:
        settings = offsite_settings.read(held.root)
        own = Own(settings.keeper, settings.keys.heads, noted.last_head(), noted.every_head)
        found = check.check(held.bucket, Silent(), own=own, parts=1, turn=0)

    assert (found.heads, found.read, found.missing, found.unlocked) == (2, 2, (), ())
    assert found.altered == ()
    assert any(f"{MANY:,} heads of {MANY:,} keepers there" in text for text in found.odd)
    assert len(found.odd) == 4


def test_an_upload_reads_none_of_them(held: CopiedStore) -> None:
    report = held.upload()

    assert report.requests < 10
    assert report.troubles == ()
