"""A board with a retention of its own, as `thin` and `list` show it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from holdstill.cli import main
from holdstill.system.clocks import SystemClock
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    from pathlib import Path

OWN = "retention: {days: 0, weeks: 0, months: 1, years: 0, at_least: 3}\n"
SAID = "0 days, 0 weeks, 1 month, 0 years, at least 3 captures"


@pytest.fixture
def house(tmp_path: Path) -> SignedStore:
    """pier-3 with a rule of its own and pier-4 without, each with five captures of one day."""
    made = SignedStore(tmp_path)
    made.enrol("pier-3", "pier-4")
    path = made.root / "boards/pier-3/enrolment.yaml"
    text = path.read_text(encoding="utf-8").replace("retention: null\n", OWN)
    path.write_text(text, encoding="utf-8")
    clock = FakeClock(SystemClock().now())
    for number in range(5):
        for board in ("pier-3", "pier-4"):
            made.capture(board, {b"f": str(number).encode()}, clock=clock)
    return made


def shown(capsys: pytest.CaptureFixture[str], *words: object) -> str:
    assert main.run([str(word) for word in words]) == 0
    return capsys.readouterr().out


def test_h17_thin_shows_and_obeys_a_boards_own_rule(
    house: SignedStore, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "keeper.yaml"
    rule = "{days: 0, weeks: 0, months: 0, years: 0, at_least: 1}"
    settings.write_text(f"store: {house.root}\nretention: {rule}\n", encoding="utf-8")
    words = ("thin", "--store", house.root, "--settings", settings)

    planned = shown(capsys, *words)
    report = json.loads(shown(capsys, *words, "--json", "--apply"))
    listed = json.loads(shown(capsys, "list", "--store", house.root, "--json"))

    assert f"pier-3 (retention of its own: {SAID}):\n" in planned
    assert "\npier-4:\n" in planned
    assert report["own_retention"]["pier-3"]["at_least"] == 3
    assert list(report["own_retention"]) == ["pier-3"]
    kept = {board: len(briefs) for board, briefs in listed["boards"].items()}
    assert kept == {"pier-3": 3, "pier-4": 1}


def test_h17_list_shows_a_boards_own_rule(
    house: SignedStore, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shown(capsys, "list", "--store", house.root)
    report = json.loads(shown(capsys, "list", "--store", house.root, "--json"))

    assert text.count("retention of its own") == 1
    assert report["own_retention"] == {
        "pier-3": {"days": 0, "weeks": 0, "months": 1, "years": 0, "at_least": 3}
    }
