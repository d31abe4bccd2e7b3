"""One object off-site that is damaged, gone, cannot be read or is locked for longer: the rest goes on.

Every fault is made on a real server, and by what may happen there to anybody: a bit that turned, a
lock that ended, a store that was made again with another number of days.
"""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from holdstill.offsite import promises
from support import seaweed
from support.offsite import CopiedStore, contents_of
from support.seaweed import Seaweed

pytestmark = pytest.mark.timeout(300)
SHARED = {b"shared-%d" % number: os.urandom(5000) for number in range(8)}


@pytest.fixture(scope="module")
def server() -> Iterator[Seaweed]:
    with seaweed.running() as one:
        yield one


def made(server: Seaweed, folder: Path, *, lock_days: int) -> CopiedStore:
    held = CopiedStore(folder, server.address(is_locked=lock_days > 0), lock_days=lock_days)
    held.held.enrol("pier-3")
    return held


def turn_a_bit(held: CopiedStore, *, place: float) -> None:
    """Have another bit in the largest pack, so far through its bytes; no lock holds it."""
    pack = max(held.versions("packs/"), key=lambda one: one.size)
    data = bytearray(held.bucket.read(pack))
    data[int(len(data) * place)] ^= 1
    held.bucket.delete(pack.key, pack.id)
    held.bucket.put(pack.key, bytes(data), promises.md5_of(data))


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
