"""Which captures are kept: pure, so that a dry run and the real one cannot differ.

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
    """What becomes of one capture.

    Attributes:
        stays_for: why it is kept, for people; "" if nothing keeps it.
    """

    name: str
    seq: int
    stays_for: str

    @property
    def is_kept(self) -> bool:
        """Whether it stays."""
        return bool(self.stays_for)


def judge(
    briefs: Sequence[CaptureBrief], retention: Retention, *, now: datetime
) -> tuple[Verdict, ...]:
    """Decide about every capture, oldest first."""
    periods: dict[str, list[str]] = {brief.name: [] for brief in briefs}
    others: dict[str, list[str]] = {brief.name: [] for brief in briefs}
    by_number = sorted(briefs, key=lambda brief: brief.seq, reverse=True)
    dated = [(brief, date) for brief in by_number if (date := trusted_date(brief, now))]
    undated = [brief for brief in by_number if not trusted_date(brief, now)]
    for count, period in _periods(retention):
        for brief, date in _newest_of_each(dated, period, count):
            periods[brief.name].append(period(date))
    places = retention.days + retention.weeks + retention.months + retention.years
    for brief in undated[:places]:
        others[brief.name].append(f"its date is doubtful, and it is among the last {places} such")
    least = max(1, retention.at_least)
    for brief in by_number[:least]:
        others[brief.name].append(
            f"it is among the last {least}" if least > 1 else "it is the last"
        )
    for brief in _newest_whole(brief for brief, _ in dated):
        others[brief.name].append("nothing newer has a date beyond doubt")
    for brief in _newest_whole(by_number):
        if not periods[brief.name] and not others[brief.name]:
            others[brief.name].append("nothing newer is undamaged")
    for brief in briefs:
        if brief.pinned:
            others[brief.name].append("its owner pinned it")
    for name, ended in periods.items():
        if ended:
            others[name].insert(0, f"it is the last of {' and of '.join(ended)}")
    return tuple(
        Verdict(b.name, b.seq, "; ".join(others[b.name]))
        for b in sorted(briefs, key=lambda brief: brief.seq)
    )


def trusted_date(brief: CaptureBrief, now: datetime) -> datetime | None:
    """Return when a capture was taken, if that is beyond doubt."""
    if not brief.clock_trusted:
        return None
    taken, arrived = _moment(brief.taken_at), _moment(brief.arrived_at)
    if taken is None or arrived is None:
        return None
    agree = not are_apart(brief.arrived_at, taken)
    past = taken <= now + AGREEMENT and arrived <= now + AGREEMENT
    return taken if agree and past else None


def are_apart(text: str, moment: datetime) -> bool:
    """Whether two clocks show moments by which no date is trusted; text is RFC 3339."""
    other = _moment(text)
    return other is not None and abs(other - moment) > AGREEMENT


def is_ahead(arrived_at: str, now: datetime) -> bool:
    """Whether something arrived, by the keeper's note, later than it can be now."""
    arrived = _moment(arrived_at)
    return arrived is not None and arrived > now + AGREEMENT


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except ValueError:
        return None


def _periods(retention: Retention) -> tuple[tuple[int, Callable[[datetime], str]], ...]:
    """Return how many periods of each length count, and a period's name (ISO 8601)."""
    return (
        (retention.days, lambda at: f"{at:%Y-%m-%d}"),
        (retention.weeks, lambda at: f"{at:%G-W%V}"),
        (retention.months, lambda at: f"{at:%Y-%m}"),
        (retention.years, lambda at: f"{at:%Y}"),
    )


def _newest_of_each(
    dated: Iterable[tuple[CaptureBrief, datetime]], period: Callable[[datetime], str], count: int
) -> list[tuple[CaptureBrief, datetime]]:
    """Return the newest capture, with its date, of each of the last periods that have one."""
    newest: dict[str, tuple[CaptureBrief, datetime]] = {}
    for brief, date in sorted(dated, key=lambda pair: (pair[1], pair[0].seq), reverse=True):
        newest.setdefault(period(date), (brief, date))
    return list(newest.values())[:count]


def _newest_whole(newest_first: Iterable[CaptureBrief]) -> list[CaptureBrief]:
    return [brief for brief in newest_first if brief.is_whole][:1]
