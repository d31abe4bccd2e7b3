"""Random nights of a store beside a plain model: nothing that a kept capture needs is ever lost.

Captures, thinning, collections, power cuts at any call, copies of the store by other programs,
spoiled contents and their repair, enrolments and references that are damaged. At the end what
nobody needs is gone, and the references say what a fresh count says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from support.random_store import RandomStore

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.timeout(600)
STEPS = 20


def live(folder: Path, seed: int) -> None:
    made = RandomStore(folder, seed)
    for _ in range(STEPS):
        made.step()
    made.check_end()


@pytest.mark.parametrize("seed", range(10))
def test_random_nights_lose_nothing_that_is_kept(tmp_path: Path, seed: int) -> None:
    live(tmp_path, seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(10, 500))
def test_many_random_nights_lose_nothing_that_is_kept(tmp_path: Path, seed: int) -> None:
    live(tmp_path, seed)
