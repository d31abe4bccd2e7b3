"""Pauses of a running board, one after the other, as its services feel them."""

from __future__ import annotations

import json
import statistics
from typing import TYPE_CHECKING

import pytest

from support.vm import board, cycle, evidence, machine

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

pytestmark = [pytest.mark.slow, pytest.mark.timeout(3600)]
PAUSES = 10


def test_ten_captures_in_a_row_hold_the_board_still_only_briefly(
    tmp_path: Path, measured: Callable[[str], None]
) -> None:
    card = board.build_card(board.tree(), tmp_path / "card.img")
    hardware = machine.Hardware(reaches_host=True)

    with (
        cycle.keeper(tmp_path) as keeper,
        machine.booted(card, machine.from_sd_card(card.image), hardware=hardware) as pier,
    ):
        cycle.prepare(pier)
        cycle.enrol(pier, keeper)
        originals = [cycle.capture(pier, keeper) for _ in range(1 + PAUSES)]
        state = pier.run("systemctl", "is-system-running")
        pier.run("systemctl", "restart", "tide-gauge")
        found = evidence.decode(pier.run("cat", "/run/tide-gauge/found.json"))
        names = json.loads(keeper.run("list", "pier-3", "--store", keeper.store, "--json"))
        keeper.run("verify", "--store", keeper.store)

    frozen = [original.report.frozen_ms for original in originals[1:]]
    stalls = [original.stall.longest_s[0] * 1000 for original in originals[1:]]
    seconds = [original.report.seconds for original in originals[1:]]
    measured(f"frozen, ms: {frozen}, median {statistics.median(frozen):.0f}")
    measured(f"longest write beside it, ms: median {statistics.median(stalls):.0f}")
    measured(f"window, ms: {[original.report.window_ms for original in originals[1:]]}")
    measured(f"a night's capture, s: median {statistics.median(seconds):.1f}")
    measured(f"the first capture, s: {originals[0].report.seconds}")
    assert state == b"running\n"
    assert evidence.broken_promises(found) == []
    assert len(names["boards"]["pier-3"]) == 1 + PAUSES
    assert statistics.median(frozen) < 5000
