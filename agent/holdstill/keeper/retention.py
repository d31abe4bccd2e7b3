"""Which captures stay: pure, so that a dry run and the real one cannot differ.

The newest of each of the last so many days, weeks (ISO 8601), months and years *that have a
capture* stay; so do the newest few by number, and whatever is pinned. Common practice; there is
no standard.

Dates come from boards, and a wrong one must not push a good capture out. A date counts only if
the board's clock was synchronised, it agrees with the keeper's own note of the arrival, and it
is not in the keeper's future. Captures without such a date take no place from dated ones: they
are kept by number, as many as there are places.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from holdstill.model.protocol import CaptureBrief
    from holdstill.model.settings import Retention

AGREEMENT = timedelta(days=2)
"""How far apart the board's date and the arrival may be: a long transfer, a late catch-up."""


@dataclass(frozen=True)
class Verdict:
    """What becomes of one capture; it goes if there is no reason to keep it."""

    name: str
    seq: int
    reasons: tuple[str, ...]

    @property
    def is_kept(self) -> bool:
        """Whether it stays."""
        return bool(self.reasons)


def judge(
    briefs: Sequence[CaptureBrief], retention: Retention, *, now: datetime
) -> tuple[Verdict, ...]:
    """Decide about every capture, oldest first."""
    reasons: dict[str, list[str]] = {brief.name: [] for brief in briefs}
    by_number = sorted(briefs, key=lambda brief: brief.seq, reverse=True)
    dated = [(brief, date) for brief in by_number if (date := trusted_date(brief, now))]
    undated = [brief for brief in by_number if not trusted_date(brief, now)]
    for word, count, slot in _classes(retention):
        for brief in _newest_of_each(dated, slot, count):
            reasons[brief.name].append(word)
    for brief in undated[: _places(retention)]:
        reasons[brief.name].append("no trusted date")
    for brief in by_number[: max(1, retention.at_least)]:
        reasons[brief.name].append("newest")
    for brief in _newest_whole(brief for brief, _ in dated):
        reasons[brief.name].append("newest with a trusted date")
    for brief in _newest_whole(by_number):
        if not reasons[brief.name]:
            reasons[brief.name].append("newest without damage")
    for brief in briefs:
        if brief.pinned:
            reasons[brief.name].append("pinned")
    return tuple(
        Verdict(b.name, b.seq, tuple(reasons[b.name]))
        for b in sorted(briefs, key=lambda brief: brief.seq)
    )


def trusted_date(brief: CaptureBrief, now: datetime) -> datetime | None:
    """Return when a capture was taken, if that is beyond doubt."""
    if not brief.clock_trusted:
        return None
    taken, arrived = _moment(brief.taken_at), _moment(brief.arrived_at)
    if taken is None or arrived is None:
        return None
    agree = abs(arrived - taken) <= AGREEMENT
    past = taken <= now + AGREEMENT and arrived <= now + AGREEMENT
    return taken if agree and past else None


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except ValueError:
        return None


def _classes(retention: Retention) -> tuple[tuple[str, int, Callable[[datetime], object]], ...]:
    return (
        ("day", retention.days, lambda at: at.date()),
        ("week", retention.weeks, lambda at: tuple(at.isocalendar())[:2]),
        ("month", retention.months, lambda at: (at.year, at.month)),
        ("year", retention.years, lambda at: at.year),
    )


def _newest_of_each(
    dated: Iterable[tuple[CaptureBrief, datetime]], slot: Callable[[datetime], object], count: int
) -> list[CaptureBrief]:
    """Return the newest capture of each of the last count slots that have one."""
    newest: dict[object, CaptureBrief] = {}
    for brief, date in sorted(dated, key=lambda pair: (pair[1], pair[0].seq), reverse=True):
        newest.setdefault(slot(date), brief)
    return list(newest.values())[:count]


def _places(retention: Retention) -> int:
    return retention.days + retention.weeks + retention.months + retention.years


def _newest_whole(newest_first: Iterable[CaptureBrief]) -> list[CaptureBrief]:
    return [brief for brief in newest_first if brief.is_whole][:1]
