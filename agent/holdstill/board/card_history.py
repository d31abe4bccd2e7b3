"""Readings of a card over many captures, and what they mean. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from statistics import median

from holdstill.board.health_report import Advice, Urgency
from holdstill.model.card_reading import CardReading
from holdstill.model.layout import Record
from holdstill.model.sizes import human

KEPT = 40
"""Days with a reading that are kept."""


NEWEST, OLDER = 3, 5
"""Readings of each side that are compared, by their medians: one bad night proves nothing."""


APART = timedelta(days=28)


SLOW, FAILING = 0.75, 0.5
"""Shares of the earlier rate; our own choice, no standard has one."""


class History(Record, frozen=True, kw_only=True):
    """The readings of one card, oldest first."""

    readings: tuple[CardReading, ...] = ()


class Trend(Record, frozen=True, kw_only=True):
    """Advice from the readings, in plain sentences."""

    words: str
    advice: tuple[Advice, ...] = ()


def is_noted(history: History, card: str, at: str) -> bool:
    """Whether this card has a reading of that day."""
    return any(old.card == card and old.at[:10] == at[:10] for old in history.readings)


def added(history: History, reading: CardReading) -> History:
    """Return the history with one more reading; those of another card are dropped."""
    same = [old for old in history.readings if old.card == reading.card]
    return History(readings=(*same, reading)[-KEPT:])


def judge(history: History) -> Trend:
    """Compare the readings, and return advice in plain words."""
    reported = [(datetime.fromisoformat(r.at), r.rate) for r in history.readings if r.rate]
    if not reported:
        return Trend(words="not measured yet: a capture does that")
    now = median(rate for _, rate in reported[-NEWEST:])
    older = [(at, rate) for at, rate in reported[:-NEWEST] if reported[-1][0] - at >= APART][
        -OLDER:
    ]
    words = f"reads {human(int(now))} a second"
    if len(older) < NEWEST:
        return Trend(words=f"{words}; not enough days yet to see a trend{_wear(history)}")
    share = now / median(rate for _, rate in older)
    days = (reported[-1][0] - older[len(older) // 2][0]).days
    compared = f"{share:.0%} of what it did {days} days ago"
    return Trend(words=f"{words}, {compared}{_wear(history)}", advice=_advice(share, compared))


def _advice(share: float, compared: str) -> tuple[Advice, ...]:
    if share < FAILING:
        text = (
            f"the card reads at {compared}: cards slow down before they die. Make sure that a "
            "good capture exists, then replace this card"
        )
        return (Advice(urgency=Urgency.SOON, text=text),)
    if share < SLOW:
        text = f"the card reads at {compared}: keep an eye on it, and a spare card at hand"
        return (Advice(urgency=Urgency.NOTE, text=text),)
    return ()


def _wear(history: History) -> str:
    reported = [reading for reading in history.readings if reading.life]
    if not reported or reported[0].life == reported[-1].life:
        return ""
    since = datetime.fromisoformat(reported[-1].at) - datetime.fromisoformat(reported[0].at)
    return (
        f"; its wear went from {reported[0].life * 10} to {reported[-1].life * 10} % within "
        f"{since.days} days"
    )
