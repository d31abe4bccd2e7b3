"""Two stores of one name in one bucket: a store was made again, and the old one lives on."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from holdstill.errors import LinkError, SecurityError
from holdstill.model.settings import Retention
from holdstill.offsite import keeper_heads, offsite_settings, own_heads, promises, sent
from support import faulty_proxy
from support.faulty_proxy import Fault, FaultyProxy
from support.offsite import CopiedStore
from support.seaweed import Seaweed

ALL = Retention(days=100, at_least=100)


@pytest.fixture
def proxy(server: Seaweed) -> Iterator[FaultyProxy]:
    """Return a server whose lists do not have what was put by way of it: what two that put in the
    same minutes see of each other.
    """
    with faulty_proxy.running(server.port) as one:
        one.planned(Fault.STALE, 1, many=1000)
        yield one


@pytest.fixture
def two(server: Seaweed, tmp_path: Path) -> tuple[CopiedStore, CopiedStore]:
    """Return a store that was sent, and a copy of it, each with a capture more than that."""
    old = CopiedStore(tmp_path / "old", server.address())
    old.held.enrol("pier-3")
    for night in range(2):
        old.capture("pier-3", {b"night": b"%d" % night})
    old.upload()
    new = CopiedStore(tmp_path / "new", old.address, key=old.key)
    new.held.keys |= old.held.keys
    shutil.copytree(old.root, new.root, dirs_exist_ok=True)
    new.clock.advance(3600)
    for held in (old, new):
        held.capture("pier-3", {b"by": os.fsencode(held.folder.name)})
        settings = offsite_settings.read(held.root)
        proved = settings.keys.proof(settings.keeper)
        changed = msgspec.structs.replace(settings, keep_here=1, proved=proved)
        offsite_settings.write(held.root, changed)
    return old, new


def stay(held: CopiedStore) -> int:
    return len(list((held.root / "boards/pier-3/captures").iterdir()))


def test_the_one_whose_head_nobody_reads_is_told_and_keeps_all_that_it_has(
    two: tuple[CopiedStore, CopiedStore], proxy: FaultyProxy
) -> None:
    old, new = two
    for held in (old, new):
        with pytest.raises(LinkError, match="is not listed"):
            held.upload(by_way_of=proxy.endpoint, rule=ALL)
        assert stay(held) == 3

    with pytest.raises(SecurityError, match="by somebody else in this keeper's name"):
        new.upload(rule=ALL)

    assert stay(new) == 3
    # The other one, whose head is used, goes on.
    assert len(old.upload(rule=ALL).left) == 2
    with old.library() as opened:
        assert opened.catalogue.faults != []
        for night, files in ((1, {b"night": b"0"}), (2, {b"night": b"1"}), (3, {b"by": b"old"})):
            assert old.restored(opened, f"pier-3/{night}") == files


def test_before_anything_leaves_all_heads_are_looked_at(
    two: tuple[CopiedStore, CopiedStore], proxy: FaultyProxy
) -> None:
    old, new = two
    for held in (old, new):
        with pytest.raises(LinkError, match="is not listed"):
            held.upload(by_way_of=proxy.endpoint, rule=ALL)
    settings = offsite_settings.read(new.root)

    with (
        sent.opened(new.root / sent.NAME) as noted,
        pytest.raises(SecurityError, match="head 2 that readers use"),
    ):
        own_heads.check_all(new.bucket, noted, settings)
    with sent.opened(old.root / sent.NAME) as noted:
        own_heads.check_all(old.bucket, noted, settings)


def test_a_put_that_was_tried_twice_is_not_somebody_elses(
    two: tuple[CopiedStore, CopiedStore],
) -> None:
    old, _ = two
    (head,) = old.versions("keepers/")
    data = old.bucket.read(head)
    again = old.bucket.put(head.key, data, promises.md5_of(data))
    with sent.opened(old.root / sent.NAME) as noted:
        mine = noted.last_head()._replace(version=again)
    listed = old.versions("keepers/")
    assert listed[0].id != again

    found = list(keeper_heads.found(old.bucket, "0123456789abcdef"))
    assert own_heads.check_one(old.bucket, mine, found, old.key.of_keeper.heads)
