"""A store copied by other programs is thinned twice, with nothing resting in the trash.

Copies lose second names, times and owners; none of that may cost a capture anything.
"""

from __future__ import annotations

import hashlib
import random
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import store as stores
from holdstill.keeper import thin
from holdstill.model.settings import Retention
from support import keeping, programs
from support.keeping import PIER_3, Board, FakeClock, FakeSignatures, QuickDisk
from support.random_store import COPIES, NoLinksDisk, sha256

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from holdstill.keeper.store_disk import StoreDisk

pytestmark = pytest.mark.timeout(600)
NEWEST = Retention(days=0, weeks=0, months=0, years=0, at_least=2)
WAYS = tuple((way, disk) for way in COPIES for disk in (QuickDisk, NoLinksDisk))


def made(root: Path, seed: int, clock: FakeClock) -> dict[str, set[str]]:
    """Make a store with a few captures; return the digests that each needs, by its name."""
    chance = random.Random(seed)  # noqa: S311  a test's
    store = keeping.make_store(root, clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock)
    needs = {}
    for _ in range(chance.randint(3, 5)):
        clock.advance(86_400)
        board.files[b"srv/%d" % chance.randrange(4)] = chance.randbytes(chance.randint(1, 5000))
        begun = board.keeper.begin()
        attached = (board.index(seq=begun.seq), *board.attachments().values())
        digests = {d for content in attached for d in keeping.pieces_of(content)}
        name = board.capture(begun).name
        needs[name] = digests | {sha256(body) for body in board.files.values()}
    return needs


def held(root: Path) -> dict[str, str]:
    """Return what each file in content/ is named and is."""
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (root / "content").glob("??/*")
    }


def thinned_twice(root: Path, disk: StoreDisk, clock: FakeClock) -> None:
    store = stores.open_store(root, disk=disk)
    for _ in range(2):
        thin.delete_captures(store, PIER_3, NEWEST, clock=clock, runner=FakeSignatures())
        assert keeping.collect(store, clock).complaints == ()


def check_copy(folder: Path, seed: int) -> None:
    clock, (way, disk) = FakeClock(), WAYS[seed % len(WAYS)]
    source, target = folder / "boathouse", folder / "copy"
    needs: Mapping[str, set[str]] = made(source, seed, clock)
    words = f"{source}/" if way.startswith("rsync") else str(source)
    programs.run(*COPIES[way], words, str(target))

    thinned_twice(target, disk(), clock)

    kept = sorted(needs)[-2:]
    found = held(target)
    assert all(name == digest for name, digest in found.items())
    assert set(found) == set().union(*(needs[name] for name in kept))


@pytest.mark.parametrize("seed", range(8))
def test_h16_a_copied_store_loses_nothing_by_thinning(tmp_path: Path, seed: int) -> None:
    check_copy(tmp_path, seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(8, 200))
def test_h16_many_copied_stores_lose_nothing_by_thinning(tmp_path: Path, seed: int) -> None:
    check_copy(tmp_path, seed)
