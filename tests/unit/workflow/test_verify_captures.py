"""Verifying a store, and what can be done about what it finds."""

from __future__ import annotations

import hashlib
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.model import names
from holdstill.workflow import verify_captures
from support import keeping
from support.keeping import Board, FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.verify.store_check import StoreReport


class Silent:
    @contextmanager
    def muted(self) -> Iterator[None]:
        yield

    def step(self, what: str) -> None:
        assert what

    def update(self, done: int, total: int) -> None:
        assert done >= 0

    def warn(self, text: str) -> None:
        assert text


def verified(store: Store) -> StoreReport:
    return verify_captures.verify_store(
        store,
        "",
        within_days=0,
        rate=0,
        clock=FakeClock(),
        runner=FakeSignatures(),
        progress=Silent(),
    )


def test_a_damaged_content_is_found_taken_out_sent_again_and_found_good(tmp_path: Path) -> None:
    clock = FakeClock()
    store = keeping.make_store(tmp_path / "boathouse", clock=clock)
    board = Board(keeping.keeper_of(store, clock=clock), clock=clock, files={b"f": b"reading"})
    board.capture()
    digest = hashlib.sha256(b"reading").hexdigest()
    path = store.contents.path(names.check_digest(digest))
    path.chmod(0o600)
    path.write_bytes(b"REading")

    found = verified(store)
    outcomes = verify_captures.repair_damage(store, found)
    board.sent.clear()
    clock.advance(60)
    board.capture()
    again = verified(store)
    finished = verify_captures.repair_damage(store, again)

    assert [damage.digest for damage in found.damages] == [digest]
    assert outcomes == {digest: "awaited"}
    assert board.sent == [digest]
    assert (again.damages, finished) == ((), {})
    captures = [board.keeper.capture(brief.name) for brief in board.keeper.captures()]
    assert [keeping.read_content(c, b"reading") for c in captures] == [b"reading"] * 2
