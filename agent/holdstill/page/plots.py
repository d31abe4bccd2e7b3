"""Plots of numbers over time, as coordinates of an SVG. Pure.

A template draws them; the same numbers stand in a table beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from math import ceil, floor, isfinite, log2, log10
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

WIDTH, HEIGHT = 640, 200
LEFT, RIGHT, TOP, BOTTOM = 92, 30, 14, 26
"""Of the drawing, in its own units; the margins have room for the words on its axes."""
_TICKS = 4
_POINTS_MARKED = 80
"""Points that are drawn as dots as well; more would be a smear."""


@dataclass(frozen=True)
class Tick:
    """A mark on an axis."""

    at: float
    words: str


@dataclass(frozen=True)
class Plot:
    """A line in a drawing.

    Attributes:
        words: what it shows, in a sentence, for whoever does not see it.
        line: points of the line; dots: of each of its points, where they are few.
        across, up: the ticks of both axes.
    """

    title: str
    words: str
    line: str
    dots: tuple[tuple[float, float], ...]
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]


def across(moment: datetime, first: datetime, last: datetime) -> float:
    """Return where a moment is, from the drawing's left."""
    span = (last - first).total_seconds()
    share = (moment - first).total_seconds() / span if span else 0.5
    return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)


def plotted(
    title: str,
    points: Sequence[tuple[datetime, float]],
    words: Callable[[float], str],
    *,
    is_binary: bool = False,
) -> Plot | None:
    """Return a plot of these numbers, none of which is negative; None where there are not two.

    Args:
        title: what they are.
        points: in the order of their moments.
        words: writes one of them for people.
        is_binary: whether that is in powers of 1024, so that an axis ends at a power of two.
    """
    known = [(moment, value) for moment, value in points if isfinite(value) and value >= 0]
    if len(known) < 2:
        return None
    first, last = known[0][0], known[-1][0]
    values = [value for _, value in known]
    top = _power_of_two(max(values)) if is_binary else _round_up(max(values))
    places = tuple((across(moment, first, last), _height(value, top)) for moment, value in known)
    spread = f"from {words(min(values))} to {words(max(values))}"
    return Plot(
        title=title,
        words=f"{title}: {len(known)} captures, {spread}; the last {words(values[-1])}",
        line=" ".join(f"{x},{y}" for x, y in places),
        dots=places if len(places) <= _POINTS_MARKED else (),
        across=days(first, last),
        up=tuple(
            Tick(_height(top * part / _TICKS, top), words(top * part / _TICKS))
            for part in range(_TICKS + 1)
        ),
    )


def days(first: datetime, last: datetime) -> tuple[Tick, ...]:
    """Return ticks at some days of a span of time; the first and the last are among them."""
    step = (last - first) / _TICKS
    moments = [first + step * number for number in range(_TICKS + 1)] if step else [first]
    is_long = last - first > timedelta(days=300)
    style = "%Y-%m" if is_long else "%m-%d" if last - first > timedelta(days=2) else "%H:%M"
    ticks = [Tick(across(each, first, last), f"{each:{style}}") for each in moments]
    return tuple(one for n, one in enumerate(ticks) if not n or one.words != ticks[n - 1].words)


def _height(value: float, top: float) -> float:
    """Return where a number is, from the drawing's top."""
    room = HEIGHT - TOP - BOTTOM
    return round(TOP + room * (1 - (min(value, top) / top if top else 0.0)), 1)


def _power_of_two(value: float) -> float:
    """Return the next power of two."""
    return 2.0 ** ceil(log2(value)) if value > 0 else 1.0


_MOST = 1e300
"""What is more than this is shown at the top: twice the largest number is no number."""


def _round_up(value: float) -> float:
    """Return the next number that is 1, 2, 4 or 8 times a power of ten."""
    if value <= 0:
        return 1.0
    value = min(value, _MOST)
    power = 10.0 ** floor(log10(value))
    return next(step * power for step in (1, 2, 4, 8, 10, 20) if step * power >= value)
