"""The memory of the page while downloads stall, and whether it answers meanwhile."""

from __future__ import annotations

import os
import socket
from typing import TYPE_CHECKING

import pytest

from holdstill.system.clocks import SystemClock
from support import page_visitor
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(120)
MOST = 80.0
"""MiB that the page may take, whoever stalls."""
EACH = 0.3
"""MiB that it may take more for each: pieces, and what packs them."""
SMALL, TAKEN = 8_000, 1 << 20
"""Files that come first in an archive; bytes that are taken: it stalls in the midst of them."""


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
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]

    with page_visitor.served(made.root, port) as (somebody, pid):
        somebody.text("/")
        before = page_visitor.resident(pid)
        with somebody.stalled(paths, taken=TAKEN):
            for _ in range(5):
                assert "pier-3" in somebody.text("/")
            during = page_visitor.resident(pid)

    assert during < MOST
    assert during - before < EACH * len(paths)
