"""A card's readings are noted with its captures, and a card that has become slow is told."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from holdstill.system import clocks
from support import boards
from support.boards import holdstill

if TYPE_CHECKING:
    from pathlib import Path


def aged(today: dict[str, object], days: int, times: int) -> dict[str, object]:
    """Return a reading as it might have been some days ago, at so many times the rate."""
    rate = today["rate"]
    assert isinstance(rate, int)
    at = clocks.rfc3339(datetime.now(UTC) - timedelta(days=days))
    return {**today, "at": at, "rate": rate * times}


@pytest.mark.timeout(180)
def test_a_card_that_reads_at_a_quarter_of_its_rate_is_to_be_replaced(tmp_path: Path) -> None:
    with boards.running(tmp_path) as board, boards.kept(tmp_path, board) as kept:
        words = ("--settings", kept.settings)
        holdstill("capture", *words)
        path = tmp_path / "state/card.json"
        first = path.read_bytes()
        holdstill("capture", *words)
        again = path.read_bytes()
        (today,) = json.loads(first)["readings"]
        past = [aged(today, days, 4) for days in (34, 33, 32, 31, 30)]
        past += [aged(today, days, 1) for days in (2, 1)]
        path.write_text(json.dumps({"readings": past}), encoding="ascii")
        holdstill("capture", *words)
        readings = json.loads(path.read_bytes())["readings"]
        shown = holdstill("inspect", *words).decode()
        found = json.loads(holdstill("inspect", *words, "--json"))["trend"]
        status = holdstill("status", *words, accepted=(8,)).decode()

    assert today["rate"] > 0
    assert again == first  # once a day: cards wear
    assert len(readings) == 8
    assert "25% of what it did 32 days ago" in found["words"]
    assert [advice["urgency"] for advice in found["advice"]] == ["soon"]
    assert "replace this card" in " ".join(shown.split())
    assert "card reads " in " ".join(status.split())
    assert "NEEDS A LOOK: the card reads at 25%" in status
    assert len(first) < 4096
