"""The emulated board itself: it must be in order before it can bear witness for a capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from support import programs
from support.vm import board, evidence, machine

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = pytest.mark.timeout(420)


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> board.Card:
    return board.build_card(board.tree(), tmp_path_factory.mktemp("card") / "card.img")


@pytest.mark.parametrize(
    ("firmware", "device"),
    [
        (machine.from_sd_card, "/dev/mmcblk0p2"),
        # Every other boot test of every day starts a card this way.
        pytest.param(machine.from_uefi, "/dev/vda2", marks=pytest.mark.slow),
    ],
)
def test_a_card_boots_alone_and_everything_on_it_runs(
    card: board.Card,
    firmware: Callable[[Path], tuple[str, ...]],
    device: str,
    measured: Callable[[str], None],
) -> None:
    with machine.booted(card, firmware(card.image)) as pier:
        measured(f"login after {pier.seconds_to_login} s")
        state = pier.run("systemctl", "is-system-running", "--wait")
        failed = pier.run("systemctl", "--failed", "--no-legend")
        root = pier.run("findmnt", "--noheadings", "--output", "SOURCE,PARTUUID", "/")
        readings = [evidence.newest_reading(pier), evidence.newest_reading(pier)]
        pier.run("systemctl", "restart", "tide-gauge")
        found = evidence.decode(pier.run("cat", "/run/tide-gauge/found.json"))
        pier.stop()

    assert (state, failed) == (b"running\n", b"")
    assert root.decode().split() == [device, card.ids.partition(2)]
    assert readings[0] < readings[1] <= found.database.last
    assert evidence.broken_promises(found) == []
    programs.run("e2fsck", "-fn", f"{card.image}?offset={board.ROOT_START}")
