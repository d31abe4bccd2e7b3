"""Ten boards with one system between them: kept once, sent once."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import enrolment
from holdstill.model import names
from holdstill.system.clocks import SystemClock
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import keeping, keys
from support.keeping import Board, FakeClock

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.keeper.local import LocalKeeper
    from holdstill.keeper.store import Store

pytestmark = pytest.mark.timeout(240)
SYSTEM, OWN = 950, 50
"""Files that all boards share, and files of each board's own: 5 %."""


def a_tree(board: int) -> dict[bytes, bytes]:
    """Return a board's files: sizes as in a real system, many small and a few large."""
    return {b"usr/%03d/%d" % (n // 40, n): _body(f"system {n}") for n in range(SYSTEM)} | {
        b"srv/%d" % n: _body(f"board {board} {n}") for n in range(OWN)
    }


def _body(seed: str) -> bytes:
    source = random.Random(seed)  # noqa: S311
    return source.randbytes(int(source.paretovariate(0.9) * 1500) % 200_000 + 1)


def stored_bytes(store: Store) -> int:
    """Return what the store takes on disk, every inode once."""
    inodes = {p.lstat().st_ino: p.lstat().st_blocks * 512 for p in store.root.rglob("*")}
    return sum(inodes.values())


class Wire:
    """Carries files by rsync and counts."""

    def __init__(self) -> None:
        self.bytes = 0
        memory = Path(keeping.MEMORY)
        self._bulk = RsyncTransfer(RsyncEndpoint(), memory=memory, clock=SystemClock(), attempts=1)

    def carry(self, files: Mapping[str, bytes], folder: str) -> None:
        with tempfile.TemporaryDirectory(dir=keeping.MEMORY) as here:
            keeping.put(files, here)
            paths = {name: Path(here, name) for name in files}
            self.bytes += self._bulk.send(paths, folder).wire_bytes


def test_ten_siblings_take_little_more_room_and_wire_than_one(tmp_path: Path) -> None:
    clock, wires, sizes = FakeClock(), [], []
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    for number in range(10):
        name = names.check_board(f"pier-{number + 10}")
        key = keys.make_key(tmp_path / name).public
        enrolment.enrol(store, name, key, clock=clock, limits=None)
        wire = Wire()
        keeper = keeping.keeper_of(store, clock=clock, board=name)
        board: Board[LocalKeeper] = Board(keeper, name=name, clock=clock, files=a_tree(number))
        board.carry = wire.carry
        board.sign = lambda data, name=name, key=key: keeping.seal_of(data, name, key)
        board.capture()
        wires.append(wire.bytes)
        sizes.append(stored_bytes(store))

    own = sum(len(body) for path, body in a_tree(3).items() if path.startswith(b"srv"))
    whole = sum(len(body) for body in a_tree(3).values())
    print(  # noqa: T201
        f"\none board {sizes[0] >> 10} KiB, ten {sizes[-1] >> 10} KiB: {sizes[-1] / sizes[0]:.2f} "
        f"times; second to tenth sent {max(wires[1:]) / wires[0]:.1%} of the first at most "
        f"(their own files are {own / whole:.1%})"
    )
    assert sizes[-1] <= 1.6 * sizes[0]
    assert max(wires[1:]) < 0.10 * wires[0]


def test_a_content_that_two_boards_have_is_one_file(tmp_path: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    enrolment.enrol(store, keeping.PIER_4, keeping.OTHER_KEY, clock=clock, limits=None)
    one = Board(keeping.keeper_of(store, clock=clock), clock=clock, files={b"a": b"shared"})
    other = Board(
        keeping.keeper_of(store, clock=clock, board=keeping.PIER_4),
        name=keeping.PIER_4,
        clock=clock,
        files={b"b": b"shared"},
        sign=lambda data: keeping.seal_of(data, keeping.PIER_4, keeping.OTHER_KEY),
    )

    captures = [board.keeper.capture(board.capture().name) for board in (one, other)]

    assert other.sent == []
    assert [keeping.read_content(capture, b"shared") for capture in captures] == [b"shared"] * 2
    assert [held.size for held in store.contents.all()].count(len(b"shared")) == 1
