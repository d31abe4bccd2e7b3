from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board import card_history, card_trend
from holdstill.board.card_history import History
from holdstill.board.health_report import Urgency
from holdstill.model.card_reading import CardReading
from holdstill.system import clocks

TODAY = datetime(2026, 11, 25, 2, 40, tzinfo=UTC)
MIB = 1 << 20


def reading(days_ago: int, rate: int, *, card: str = "9f5449", life: int = 0) -> CardReading:
    at = clocks.rfc3339(TODAY - timedelta(days=days_ago))
    return CardReading(at=at, card=card, rate=rate, life=life)


def history(*rates: int) -> History:
    """Return a reading a day, the last one of today."""
    last = len(rates) - 1
    return History(readings=tuple(reading(last - n, rate) for n, rate in enumerate(rates)))


def test_a_card_that_halves_its_rate_and_more_is_to_be_replaced() -> None:
    found = card_history.judge(history(*[20 * MIB] * 35, *[8 * MIB] * 5))

    (advice,) = found.advice
    assert "reads 8.0 MiB a second, 40% of what it did 30 days ago" in found.words
    assert advice.urgency is Urgency.SOON
    assert "replace this card" in advice.text


def test_a_card_that_slows_down_is_to_be_watched() -> None:
    found = card_history.judge(history(*[20 * MIB] * 35, *[12 * MIB] * 5))

    assert [advice.urgency for advice in found.advice] == [Urgency.NOTE]
    assert "60% of what it did" in found.words


def test_one_bad_night_is_no_trend_and_neither_is_a_good_one() -> None:
    bad = card_history.judge(history(*[20 * MIB] * 39, MIB))
    good = card_history.judge(history(*[20 * MIB] * 39, 400 * MIB))

    assert bad.advice == good.advice == ()
    assert "100% of what it did" in bad.words
    assert "100% of what it did" in good.words


@pytest.mark.parametrize("days", [1, 3, 27])
def test_a_few_days_say_nothing_yet(days: int) -> None:
    found = card_history.judge(history(*[20 * MIB] * days, MIB))

    assert found.advice == ()
    assert "not enough days yet" in found.words


def test_no_reading_at_all_is_said_so() -> None:
    assert card_history.judge(History()).words == "not measured yet: a capture does that"
    assert card_history.judge(history(0, 0, 0)).words == "not measured yet: a capture does that"


def test_wear_that_grows_is_told_with_its_days() -> None:
    readings = (reading(30, MIB, life=2), reading(15, MIB, life=2), reading(0, MIB, life=3))

    found = card_history.judge(History(readings=readings))

    assert found.words.endswith("; its wear went from 20 to 30 % within 30 days")


def test_another_card_begins_a_history_of_its_own() -> None:
    old = history(*[20 * MIB] * 30)

    fresh = card_history.added(old, reading(0, MIB, card="another"))

    assert [r.card for r in fresh.readings] == ["another"]
    assert not card_history.is_noted(old, "another", clocks.rfc3339(TODAY))
    assert card_history.is_noted(old, "9f5449", clocks.rfc3339(TODAY))


def test_the_history_stays_small() -> None:
    full = history(*[MIB] * card_history.KEPT)

    longer = card_history.added(full, reading(0, 7))

    assert len(longer.readings) == card_history.KEPT
    assert longer.readings[-1].rate == 7
    assert longer.readings[0] == full.readings[1]


@given(st.integers(min_value=0, max_value=1 << 45))
def test_pieces_lie_on_the_device_aligned_and_apart(size: int) -> None:
    found = card_trend.places(size)

    assert all(place % 4096 == 0 for place in found)
    assert all(place + card_trend.PIECE <= size for place in found)
    assert len(set(found)) == len(found) == (card_trend.PIECES if found else 0)
    assert bool(found) == (size >= card_trend.PIECE + card_trend.PIECES * 4096)
