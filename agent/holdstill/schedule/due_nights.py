"""When nights begin: by the calendar when the clock is right, by counted days while it is not."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Protocol

import msgspec

from holdstill.errors import NightOverError
from holdstill.model import settings as model_settings
from holdstill.model.nightly_state import Week
from holdstill.model.settings import Weekday
from holdstill.schedule import retry
from holdstill.schedule.calendar import EVERY_DAY, Calendar, Rule, moment_of
from holdstill.schedule.retry import NightRetries
from holdstill.system import clocks

if TYPE_CHECKING:
    from datetime import tzinfo

    from holdstill.model.nightly_state import NightlyState
    from holdstill.model.settings import BoardSettings
    from holdstill.system.clocks import Clock

CAPTURE, SUMMARY = "capture", "summary"
SUMMARY_TIME = time(9, 0)
MISSED = timedelta(minutes=10)
"""A run that begins so much too late was missed: the board was off."""
NEVER = -1.0
_DAY = 86_400.0


class TimeSource(Protocol):
    """What is known about the time of day."""

    def is_trusted(self) -> bool:
        """Whether something has set the clock since boot."""

    def zone(self) -> tzinfo:
        """Return the time zone that is set now; the same object while it stays so."""


def rule_of(settings: BoardSettings) -> Rule:
    """Return when a board's runs are due."""
    nightly = settings.nightly
    spread = retry.share(settings.board, timedelta(minutes=nightly.spread_minutes))
    return Rule(time.fromisoformat(nightly.time), _numbers(nightly.days), spread)


def _numbers(days: tuple[Weekday, ...]) -> frozenset[int]:
    return frozenset(list(Weekday).index(day) for day in days) or EVERY_DAY


class DueNights:
    """What is due next.

    Attributes:
        ran: when the last run without a date ended, in seconds since boot; NEVER for none.
        has_week_ended: whether a summary is due.
        serving: the date of the night that is under way; "" for one that has none.
    """

    def __init__(self, settings: BoardSettings, clock: Clock, source: TimeSource) -> None:
        self._settings = settings
        self._clock = clock
        self._source = source
        self._started = clock.monotonic()
        self._calendar: Calendar | None = None
        self._opened: NightRetries | None = None
        self.rule = rule_of(settings)
        self.ran = NEVER
        self.has_week_ended = False
        self.serving = ""

    @property
    def is_dated(self) -> bool:
        """Whether the calendar is in force."""
        return self._calendar is not None

    @property
    def due(self) -> datetime | None:
        """When the next run is due; None while that is unknown."""
        return None if self._calendar is None else self._calendar.due(CAPTURE)

    @property
    def idle_seconds(self) -> float | None:
        """Seconds until the calendar wants something; None while it is not in force."""
        return None if self._calendar is None else self._calendar.idle_seconds

    @property
    def today(self) -> str:
        """The local date."""
        return self._clock.now().astimezone(self._source.zone()).date().isoformat()

    def end_of(self, day: str) -> datetime | None:
        """Return when the night of a date ends, in UTC; None if by no clock.

        A night that was begun without a date has no end: nobody knew what time it was.
        """
        until, date_ = self._settings.nightly.until, _date(day)
        if not until or date_ is None:
            return None
        zone = self._source.zone()
        begins = moment_of(date_, self.rule.at, zone)
        if begins is None:
            return None
        return Rule(time.fromisoformat(until)).next_due(begins + self.rule.spread, zone)

    def is_over(self, day: str) -> bool:
        """Whether the night of a date is over."""
        end = self.end_of(day)
        return end is not None and self._clock.now() >= end

    def check_not_over(self) -> None:
        """Check that the night which is under way may go on.

        Raises:
            NightOverError: it may not.
        """
        if self.is_over(self.serving):
            raise NightOverError(
                f"the night ended at {self._settings.nightly.until}",
                hint="the next night goes on from there. If that is too slow, set `nightly.until` "
                "later, or `line.limit` higher",
            )

    def take_due(self, state: NightlyState) -> tuple[NightlyState, NightRetries | None]:
        """Inspect the clock; return the state and the night that has begun, if one has."""
        self._opened = None
        if not self._source.is_trusted():
            return state, self._undated_night()
        now, zone = self._clock.now(), self._source.zone()
        if self._calendar is None or self._calendar.zone is not zone:
            state = self._begun(self._dated(state, now, zone), now, zone)
            calendar = Calendar(now, zone)
            calendar.plan(self.rule, self._open, tag=CAPTURE, served=_date(state.served))
            days = self._settings.notify.summary_days
            if days:
                rule = replace(self.rule, at=SUMMARY_TIME, weekdays=_numbers(days))
                last = _date(state.summarised) or rule.last_date(now, zone)
                calendar.plan(rule, self._end_week, tag=SUMMARY, served=last)
            self._calendar = calendar
        self._calendar.tick(now)
        return state, self._opened

    def _undated_night(self) -> NightRetries | None:
        """Without a clock: one run after the start, then one whenever the days have passed."""
        now, nightly = self._clock.monotonic(), self._settings.nightly
        if now - self._started < nightly.clock_minutes * 60:
            return None
        gap = model_settings.longest_gap(nightly.days) * _DAY
        is_due = self.ran == NEVER or now - self.ran >= gap
        return NightRetries("", now, now) if is_due else None

    def _dated(self, state: NightlyState, now: datetime, zone: tzinfo) -> NightlyState:
        """Now that the clock is right, give its date to a run of this boot that had none."""
        if self.ran == NEVER:
            return state
        then = now - timedelta(seconds=self._clock.monotonic() - self.ran)
        self.ran = NEVER
        found = {
            name: msgspec.structs.replace(outcome, at=clocks.rfc3339(then), clock_trusted=True)
            for name, outcome in (("good", state.good), ("last", state.last))
            if outcome is not None and not outcome.clock_trusted
        }
        served = self.rule.last_date(then, zone).isoformat()
        return msgspec.structs.replace(state, **found, served=max(served, state.served))

    def _begun(self, state: NightlyState, now: datetime, zone: tzinfo) -> NightlyState:
        """Begin the state, if this is the first time: what was due before does not count.

        Nor does it where a clock that was wrong had served a date far ahead: else no night that
        was missed would be made up until then.
        """
        at = clocks.rfc3339(now)
        if not state.begun:
            state = msgspec.structs.replace(state, begun=at, week=Week(since=at))
        if not state.served or _is_far_ahead(state.served, now.astimezone(zone).date()):
            served = self.rule.last_date(now, zone).isoformat()
            state = msgspec.structs.replace(state, served=served)
        return state

    def _end_week(self) -> None:
        self.has_week_ended = True

    def _open(self) -> None:
        """Begin a night; the calendar calls this."""
        now, zone = self._clock.now(), self._source.zone()
        day = self.rule.last_date(now, zone)
        if self.is_over(day.isoformat()):
            return  # the board was off all night; it shall not make up for that by day
        due = self.rule.due_on(day, zone)
        earliest = self._settings.nightly.settle_minutes * 60.0
        if due is not None and now - due > MISSED:
            # After a power cut all boards come up at the same moment.
            earliest += self.rule.spread.total_seconds()
        first = max(self._clock.monotonic(), earliest)
        self._opened = NightRetries(day.isoformat(), first, first)


def _is_far_ahead(served: str, today: date) -> bool:
    day = _date(served)
    return day is not None and day > today + timedelta(days=1)


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def moment(text: str) -> datetime | None:
    """Read an RFC 3339 moment; None if it is none."""
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):  # the latter at the ends of the calendar
        return None
