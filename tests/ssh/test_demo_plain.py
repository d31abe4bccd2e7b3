"""The demonstration without root: everything but the pause, and it does not claim otherwise."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from holdstill.demo import card, scenario
from holdstill.demo.material import Share
from holdstill.demo.scenario import DemoDependencies
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import programs
from support.loop import MIB

if TYPE_CHECKING:
    from pathlib import Path

SHARES = (Share("/usr/lib", 500, 10 * MIB), Share("/usr/share", 200, 3 * MIB))


@pytest.mark.timeout(240)
def test_a_plain_directory_is_captured_live_and_says_so(tmp_path: Path) -> None:
    said, kept = io.StringIO(), tmp_path / "kept"
    means = DemoDependencies(LocalRunner(), SystemClock(), Console(file=said, width=200), SHARES)

    report = scenario.run_demo(means, keep=kept, shortcoming="a test")

    assert (report.device, report.shortcoming) == ("", "a test")
    assert "graded live" in said.getvalue()
    for capture in (report.first, report.second):
        grades = {part.place: part.grade for part in capture.parts}
        assert grades == {"": "read-only", "/": "live"}
        assert capture.frozen_ms == 0
        assert any("different moments" in text for text in capture.warnings)
    assert all(one.done.checked_entries == one.done.entries > 700 for one in report.rebuilt)
    assert report.taken_out.endswith("\tboathouse\n")
    for name in ("smaller", "larger"):
        programs.run("e2fsck", "-fn", f"{kept / name}.img?offset={card.ROOT_START}")
