"""A board that loses its power while it is captured, at random instants, again and again."""

from __future__ import annotations

import json
import random
import time
from typing import TYPE_CHECKING

import pytest

from support.vm import board, cycle, machine

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager
    from pathlib import Path

    from support.vm.cycle import Keeper
    from support.vm.machine import Machine

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3 * 3600)]
CUTS = 20
SEED = 20261125
"""Fixed, so that a failure can be seen again; the board's own timing varies enough."""
NEW_DATA = ("dd", "if=/dev/urandom", "of=/srv/new", "bs=1M", "count=8", "status=none")


def test_a_board_survives_power_cuts_and_the_keeper_holds_whole_captures_only(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    card = board.build_card(board.tree(), tmp_path / "card.img")
    instants = random.Random(SEED)  # noqa: S311  no secret

    with cycle.keeper(tmp_path) as keeper:
        span = usual_seconds(card, keeper)
        told = [cut_while_capturing(card, instants.uniform(0, span)) for _ in range(CUTS)]
        before = whole_captures(keeper)
        with booted(card) as pier:
            require_well(pier)
            pier.run("holdstill", "capture", timeout=1200)
        after = whole_captures(keeper)

    measured(f"a capture takes {span:.0f} s; cut after: {told}")
    assert len(set(after) - set(before)) == 1
    # Some of the cuts have to fall into a run, and not all at the same point of it: before its
    # first word, and behind several. What the last word was is chance.
    assert len(set(told)) >= 3


def booted(card: board.Card) -> AbstractContextManager[Machine]:
    hardware = machine.Hardware(reaches_host=True)
    return machine.booted(card, machine.from_sd_card(card.image), hardware=hardware)


def usual_seconds(card: board.Card, keeper: Keeper) -> float:
    """Take the first capture, which is long, and one after a fresh boot; return what that took.

    Every cut comes after a fresh boot, too, when everything has to be read from the card again.
    """
    with booted(card) as pier:
        cycle.prepare(pier)
        cycle.enrol(pier, keeper)
        pier.run("holdstill", "capture", timeout=1200)
        pier.stop()
    with booted(card) as pier:
        require_well(pier)
        pier.run(*NEW_DATA)
        before = time.monotonic()
        pier.run("holdstill", "capture", timeout=1200)
        return time.monotonic() - before


def cut_while_capturing(card: board.Card, seconds: float) -> str:
    """Boot, look whether all is well, begin a capture, cut the power; return its last words."""
    with booted(card) as pier:
        require_well(pier)
        pier.run(*NEW_DATA)
        with pier.started("holdstill", "capture") as capture:
            time.sleep(seconds)
            pier.cut_power()
            _, told = capture.communicate()
    lines = [line for line in told.decode(errors="replace").splitlines() if line]
    return lines[-1] if lines else ""


def require_well(pier: Machine) -> None:
    """Fail unless every unit runs, and unless the root file system can be written to."""
    state = pier.run("systemctl", "is-system-running", "--wait", timeout=300)
    assert state == b"running\n"
    pier.run("sh", "-c", "date > /srv/alive && sync -f /srv/alive", timeout=30)


def whole_captures(keeper: Keeper) -> list[str]:
    """Return the names of the sealed captures, each of which must be whole to the last byte."""
    keeper.run("verify", "--store", keeper.store, timeout=1200)
    listed = json.loads(keeper.run("list", "pier-3", "--store", keeper.store, "--json"))
    assert [brief["faults"] for brief in listed["boards"]["pier-3"] if brief["faults"]] == []
    return [brief["name"] for brief in listed["boards"]["pier-3"]]
