"""When the next run is due: the rules of the schedule library, decided on local dates.

The library reads this machine's clock and adds 24 hours; a board whose clock is set while it
runs, and whose days have 23 or 25 hours twice a year, needs more. So its jobs are told the time
here, and ask a pure rule for the next date. One date is served once, whatever the clock does.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import TYPE_CHECKING

import schedule

if TYPE_CHECKING:
    from collections.abc import Callable

DAY = timedelta(days=1)
EVERY_DAY = frozenset(range(7))
SET_BACK = timedelta(minutes=1)
"""A clock that goes back by more was set."""
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def moment_of(day: date, at: time, zone: tzinfo) -> datetime | None:
    """Return when a local time comes on a local date, in UTC; None if there is no such date.

    A time that the clocks skip counts as the next one that exists; one that comes twice counts
    the first time. Whole dates are missing where a country changed sides of the date line.
    """
    midnight = _reached(datetime.combine(day, time()), zone)
    if midnight.astimezone(zone).date() != day:
        return None
    return _reached(datetime.combine(day, at), zone)


def _reached(wall: datetime, zone: tzinfo) -> datetime:
    """Return the first moment at which the clocks on the wall show this, or more."""
    early = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    if early.astimezone(zone).replace(tzinfo=None) == wall:
        return early
    # In a gap the two folds are on both sides of the change (PEP 495, "the missing hour").
    late = wall.replace(tzinfo=zone, fold=1).astimezone(UTC)
    # The second at which the offset from UTC changes.
    old = late.astimezone(zone).utcoffset()
    low, high = 0, round((early - late).total_seconds())
    while high - low > 1:
        middle = (low + high) // 2
        if (late + timedelta(seconds=middle)).astimezone(zone).utcoffset() == old:
            low = middle
        else:
            high = middle
    return late + timedelta(seconds=high)


@dataclass(frozen=True)
class Rule:
    """A time of day on some weekdays.

    Attributes:
        at: the local time.
        weekdays: 0 is Monday; not empty.
        spread: how much later it is on this board; less than a day.
    """

    at: time
    weekdays: frozenset[int] = EVERY_DAY
    spread: timedelta = timedelta()

    def due_on(self, day: date, zone: tzinfo) -> datetime | None:
        """Return when it is due on a date, in UTC; None if not at all."""
        if day.weekday() not in self.weekdays:
            return None
        moment = moment_of(day, self.at, zone)
        return None if moment is None else moment + self.spread

    def first_after_date(self, day: date, zone: tzinfo) -> datetime:
        """Return the due moment of the first date after this one that has one."""
        while True:
            day += DAY
            due = self.due_on(day, zone)
            if due is not None:
                return due

    def next_due(self, after: datetime, zone: tzinfo) -> datetime:
        """Return the first due moment that is strictly later."""
        due = self.first_after_date(self.last_date(after, zone), zone)
        assert due > after  # noqa: S101  the last date was the last one
        return due

    def last_date(self, now: datetime, zone: tzinfo) -> date:
        """Return the latest date whose due moment has come."""
        day = now.astimezone(zone).date() + DAY
        while True:
            due = self.due_on(day, zone)
            if due is not None and due <= now:
                return day
            day -= DAY


class LocalJob(schedule.Job):
    """A job of the library whose dates come from a rule, in its scheduler's zone and clock."""

    def __init__(self, calendar: Calendar) -> None:
        super().__init__(1, calendar)
        self.calendar = calendar
        self.spread = timedelta()
        self.served: date | None = None

    @property
    def rule(self) -> Rule:
        """What was set with the library's methods: days, or one weekday, and a time."""
        days = EVERY_DAY if self.start_day is None else {_WEEKDAYS.index(self.start_day)}
        return Rule(self.at_time or time(), frozenset(days), self.spread)

    @property
    def should_run(self) -> bool:
        """Whether it is due by the calendar's clock."""
        return self.next_run is not None and self.next_run <= self.calendar.now

    def run(self) -> object:
        """Do it, and plan the next time."""
        assert self.job_func is not None  # noqa: S101  only `do` puts a job on the list
        self.served = self.rule.last_date(self.calendar.now, self.calendar.zone)
        self.last_run = self.calendar.now
        done: object = self.job_func()
        self._schedule_next_run()
        return done

    def replan(self) -> None:
        """Forget what was planned: the clock was set."""
        self._schedule_next_run()

    def _schedule_next_run(self) -> None:
        # The one place where the library would read the machine's clock.
        now, zone = self.calendar.now, self.calendar.zone
        if self.served is not None and self.served <= now.astimezone(zone).date() + DAY:
            self.next_run = self.rule.first_after_date(self.served, zone)
        else:  # never, or by a clock that was wrong: a date far ahead must not silence us
            self.next_run = self.rule.next_due(now, zone)


class Calendar(schedule.Scheduler):
    """The library's scheduler, with our clock. What was missed is done once, at the next tick."""

    def __init__(self, now: datetime, zone: tzinfo) -> None:
        super().__init__()
        self.now = now
        self.zone = zone

    def every(self, interval: int = 1) -> LocalJob:
        """Begin a job, by the library's methods.

        Raises:
            IntervalError: it is not for every day or week.
        """
        if interval != 1:
            raise schedule.IntervalError("only every day, and every week on a weekday")
        return LocalJob(self)

    def plan(self, rule: Rule, work: Callable[[], None], *, tag: str, served: date | None) -> None:
        """Schedule work for the dates of a rule that are after the one that was served last."""
        for job in self._begun(rule.weekdays):
            job.spread, job.served = rule.spread, served
            job.at(rule.at.isoformat()).tag(tag).do(work)

    def _begun(self, weekdays: frozenset[int]) -> list[LocalJob]:
        if weekdays == EVERY_DAY:
            job = self.every()
            job.days  # noqa: B018  in the library's language, saying it is doing it
            return [job]
        jobs = [self.every() for _ in weekdays]
        for job, number in zip(jobs, sorted(weekdays), strict=True):
            getattr(job, _WEEKDAYS[number])
        return jobs

    def tick(self, now: datetime) -> None:
        """Do what has become due by now."""
        was_set_back = now < self.now - SET_BACK
        self.now = now
        if was_set_back:
            for job in self.jobs:
                assert isinstance(job, LocalJob)  # noqa: S101  `every` makes no other
                job.replan()
        self.run_pending()

    def due(self, tag: str) -> datetime | None:
        """Return when the next job with this tag is due, in UTC."""
        return self.get_next_run(tag)

    @property
    def idle_seconds(self) -> float | None:
        """Seconds until the next job, by the calendar's clock."""
        due = self.get_next_run()
        return None if due is None else (due - self.now).total_seconds()
