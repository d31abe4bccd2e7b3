"""What most tests of the keeper begin with."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from support import keeping
from support.keeping import FakeClock

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.store import Store


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


@pytest.fixture
def store(tmp_path: Path, clock: FakeClock) -> Store:
    return keeping.make_store(tmp_path / "boathouse", clock=clock)
