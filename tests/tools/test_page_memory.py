"""The memory of the page while downloads stall, and whether it answers meanwhile."""

from __future__ import annotations

import os
import socket
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest
from msgspec import structs

from holdstill.keeper.local import LocalKeeper
from holdstill.records import signature
from holdstill.system.clocks import SystemClock
from support import keeping, page_visitor
from support.keeping import Board, FakeClock
from support.page_visitor import Visitor
from support.signed_store import MACHINE, SignedStore

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.manifest import Manifest
    from holdstill.model.protocol import RunStarted

pytestmark = pytest.mark.timeout(120)
MOST = 80.0
"""MiB that the page may take, whoever stalls."""
EACH = 0.3
"""MiB that it may take more for each: pieces, and what packs them."""
SMALL, TAKEN = 8_000, 1 << 20
"""Files that come first in an archive; bytes that are taken: it stalls in the midst of them."""

UNREADABLE = 8_000
"""Paths in a manifest: about as many as it may have."""


class WordyBoard(Board[LocalKeeper]):
    """It says as much in its manifest as it may."""

    def manifest(self, begun: RunStarted, index: bytes) -> Manifest:
        made = super().manifest(begun, index)
        words = tuple(f"/{number:x}" for number in range(UNREADABLE))
        parts = tuple(structs.replace(part, unreadable=words) for part in made.parts)
        return structs.replace(made, parts=parts)


def test_a_manifest_of_many_words_that_many_look_at_takes_little_memory(tmp_path: Path) -> None:
    made, clock = SignedStore(tmp_path), FakeClock(SystemClock().now())
    made.enrol("pier-3")
    key = made.keys["pier-3"].private
    keeper = keeping.keeper_of(made.store, clock=clock, runner=MACHINE)
    board = WordyBoard(keeper, clock=clock, files={b"etc/hosts": b"x"},
                       sign=lambda data: signature.sign(data, key, MACHINE))  # fmt: skip
    place = f"/boards/pier-3/{board.capture().name}"
    keeper.close()

    with page_visitor.served(made.root, _free_port()) as (somebody, pid):
        with ThreadPoolExecutor(16) as pool:
            others = [Visitor(somebody.port, somebody.cookie) for _ in range(16)]
            shown = list(pool.map(lambda other: other.text(place), others))
        for other in others:
            other.leave()
        after = page_visitor.resident(pid)

    assert all(f"/{UNREADABLE - 1:x}" in text for text in shown)
    assert after < MOST


def test_fifty_stalled_downloads_take_little_memory(tmp_path: Path) -> None:
    made = SignedStore(tmp_path)
    made.enrol("pier-3")
    files = {b"large/%d" % number: os.urandom(4 << 20) for number in range(4)}
    files |= {b"first/%04d" % number + b"x" * 200: b"same" for number in range(SMALL)}
    name = made.capture("pier-3", files, clock=FakeClock(SystemClock().now()))
    place = f"/boards/pier-3/{name}"
    paths = [
        *(f"{place}/file?part=2&path=large/{number % 4}" for number in range(25)),
        *[f"{place}/archive?part=2&path=&as=tar"] * 13,
        *[f"{place}/archive?part=2&path=&as=zip"] * 12,
    ]
    with page_visitor.served(made.root, _free_port()) as (somebody, pid):
        somebody.text("/")
        before = page_visitor.resident(pid)
        with somebody.stalled(paths, taken=TAKEN):
            for _ in range(5):
                assert "pier-3" in somebody.text("/")
            during = page_visitor.resident(pid)

    assert during < MOST
    assert during - before < EACH * len(paths)


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])
