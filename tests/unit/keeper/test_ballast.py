"""What a store holds for the day on which its disk is full."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import ballast
from holdstill.keeper.store import Store
from support import keeping
from support.keeping import FakeClock

if TYPE_CHECKING:
    from pathlib import Path


class Tight(Store):
    """A store on a disk that has just so much room, and what its own files give back."""

    room = 0

    def free(self) -> tuple[int, int]:
        has_ballast = (self.root / ballast.NAME).exists()
        return Tight.room - has_ballast * ballast.SIZE, 1 << 20


@pytest.fixture
def store(tmp_path: Path) -> Tight:
    made = keeping.make_store(tmp_path / "boathouse", clock=FakeClock())
    return Tight(made.root, made.facts, made.disk)


def test_it_is_made_where_there_is_room_given_up_when_there_is_none_and_made_again(
    store: Tight,
) -> None:
    path, found = store.root / ballast.NAME, []
    for at_first, later in (
        (2 * ballast.ROOM, 2 * ballast.ROOM),
        (ballast.SIZE, ballast.SIZE),
        (ballast.SIZE, 2 * ballast.ROOM),
    ):
        Tight.room = at_first
        with ballast.given_up_if_needed(store):
            found.append(path.exists())
            Tight.room = later
        found.append(path.exists())

    assert found == [False, True, False, False, False, True]
    assert path.stat().st_blocks * 512 >= ballast.SIZE
