"""What captures of one board tell in numbers: on a time line, and as plots. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from holdstill.model.boot import BootVerdict
from holdstill.model.sizes import human
from holdstill.page import plots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from holdstill.model.protocol import CaptureBrief
    from holdstill.page.plots import Plot, Tick

_TENTH = 10
"""Per cent of an eMMC's life that its registers count by (linux/mmc/mmc.h, EXT_CSD 268)."""


@dataclass(frozen=True)
class Mark:
    """A capture on the time line.

    Attributes:
        at: from the drawing's left.
        kind: `bad`, `booted`, `whole` or `plain`, which its shape shows.
        words: what it is, for whoever points at it or does not see it.
    """

    at: float
    kind: str
    name: str
    words: str


@dataclass(frozen=True)
class TimeLine:
    """Captures on a line, and the days below it."""

    marks: tuple[Mark, ...]
    ticks: tuple[Tick, ...]


def time_line(captures: Sequence[CaptureBrief], now: datetime) -> TimeLine | None:
    """Return the time line of captures up to now; None where none has a date."""
    dated = [(moment, brief) for brief in captures if (moment := moment_of(brief)) is not None]
    if not dated:
        return None
    first = min(moment for moment, _ in dated)
    last = max(now, *(moment for moment, _ in dated))
    marks = tuple(
        Mark(
            at=plots.across(moment, first, last),
            kind=kind,
            name=brief.name,
            words=f"{brief.seq}, {moment:%F %H:%M}: {words}",
        )
        for moment, brief in dated
        for kind, words in [_kind(brief)]
    )
    return TimeLine(marks, plots.days(first, last))


def _kind(brief: CaptureBrief) -> tuple[str, str]:
    if brief.trouble:
        return "bad", brief.trouble[0]
    if brief.booted_at:
        return "booted", "booted in a rehearsal"
    if brief.boot and brief.boot.verdict is BootVerdict.BROKEN:
        return "bad", "a card made of it would not boot"
    if brief.boot and brief.boot.verdict is BootVerdict.WHOLE:
        return "whole", "should boot"
    return "plain", "good"


def moment_of(brief: CaptureBrief) -> datetime | None:
    """Return when a capture arrived, by the keeper's clock; else when it was taken; or None."""
    try:
        found = datetime.fromisoformat(brief.arrived_at or brief.taken_at)
    except ValueError:
        return None
    return found if found.tzinfo else None


def of(captures: Iterable[CaptureBrief]) -> tuple[Plot, ...]:
    """Return the plots of what captures of one board tell, of those that tell enough."""
    told = [(moment, brief) for brief in captures
            if brief.manifest and (moment := moment_of(brief)) is not None]  # fmt: skip
    told.sort(key=lambda each: each[0])

    def plot(
        title: str,
        of_brief: Callable[[CaptureBrief], float | None],
        words: Callable[[float], str] = _bytes,
    ) -> Plot | None:
        points = [(m, value) for m, brief in told if (value := of_brief(brief)) is not None]
        return plots.plotted(title, points, words, is_binary=words is _bytes)

    made = (
        plot("Frozen span", lambda brief: brief.frozen_ms or None, milliseconds),
        plot("Bytes that were new to the store", lambda brief: brief.new_bytes),
        plot("Duration", lambda brief: brief.seconds or None, seconds),
        plot("The card reads, a second", read_rate),
        plot("Life used, in per cent", wear, lambda value: f"{value:.0f} %"),
    )
    return tuple(each for each in made if each is not None)


def read_rate(brief: CaptureBrief) -> float | None:
    """Return bytes a second that the card was read at; None where that was not measured."""
    return (brief.card.rate or None) if brief.card else None


def wear(brief: CaptureBrief) -> float | None:
    """Return per cent of its life that the card has used at most; None where it does not say."""
    return (brief.card.life * _TENTH or None) if brief.card else None


def milliseconds(value: float) -> str:
    """Write milliseconds for people."""
    return f"{value:.0f} ms" if value < 10_000 else f"{value / 1000:.0f} s"


def seconds(value: float) -> str:
    """Write seconds for people."""
    if value < 10:
        return f"{value:.1f} s"
    return f"{value:.0f} s" if value < 600 else f"{value / 60:.0f} min"


def _bytes(value: float) -> str:
    return human(int(value))
