from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.page.roles import Role
from support import keeping
from support import page as pages
from support.archive_tree import EVIL, HOSTILE
from support.odd_board import MANY, OddBoard

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from support.keeping import FakeClock
    from support.page import Visited


@pytest.fixture
def board(store: Store, clock: FakeClock) -> OddBoard:
    """Return a board with two captures."""
    made = OddBoard(keeping.keeper_of(store, clock=clock), clock=clock)
    made.files = {b"odd/" + name: EVIL + name for name in HOSTILE}
    made.files |= {b"many/%04d.txt" % number: b"same" for number in range(MANY)}
    made.files |= {b"etc/hostname": b"pier-3\n", b"etc/empty": b"", b"etc/gone": b"1"}
    made.capture()
    made.files |= {b"etc/hostname": b"pier-3a\n", b"etc/new": b"2"}
    del made.files[b"etc/gone"]
    clock.advance(60)
    made.capture()
    return made


@pytest.fixture
def odd(store: Store, board: OddBoard, tmp_path: Path, clock: FakeClock) -> Iterator[Visited]:
    """Hold the page of its store, for somebody who may take files out."""
    with pages.opened(store, tmp_path, clock=clock) as page:
        page.enter(Role.FILES)
        yield page
