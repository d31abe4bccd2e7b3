"""The nightly life of a board: what is due is done, and whom it concerns is told.

Everything is handed in: the clock, the capture itself, the people, the service manager. What has
to survive a power cut is one small file, the diary; what is only of this boot lies in memory.
"""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NoReturn, Protocol

import msgspec

from holdstill.model.nightly_state import DaemonStatus, Phase, RunOutcome, Week
from holdstill.schedule import due_nights
from holdstill.schedule.retry import NightRetries
from holdstill.system import clocks
from holdstill.workflow.attempt import INTERNAL

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager
    from datetime import datetime

    from holdstill.model.nightly_state import NightlyState
    from holdstill.model.settings import BoardSettings
    from holdstill.notify.notifier import Notifier
    from holdstill.schedule.due_nights import DueNights
    from holdstill.system.clocks import Clock
    from holdstill.workflow.ports import Progress

LONGEST_REST, SHORTEST_REST = 300.0, 1.0
"""Seconds between two looks at the clock: somebody may set it meanwhile."""
REST_WITHOUT_CLOCK = 30.0
_HOUR = 3600.0


class Attempts(Protocol):
    """Takes captures; see holdstill.workflow.attempt."""

    def run(self, tell: Progress, *, tries: int) -> RunOutcome:
        """Take a capture; whatever happens is an outcome."""

    def failed(self, code: int, what: str, hint: str, *, tries: int) -> RunOutcome:
        """Return the outcome of a run that sealed nothing."""


class StateStore(Protocol):
    """Keeps the diary; see holdstill.schedule.state_file."""

    def load(self) -> NightlyState:
        """Return the diary."""

    def save(self, diary: NightlyState) -> None:
        """Keep the diary."""


class LiveStatus(Protocol):
    """Shows what is going on; see holdstill.schedule.state_file."""

    def read(self) -> DaemonStatus | None:
        """Return what was shown last in this boot."""

    def show(self, live: DaemonStatus) -> None:
        """Show this."""


class ServiceManager(Protocol):
    """The service manager; see holdstill.system.sd_notify."""

    patience: float

    def ready(self) -> None:
        """Say that the start is over."""

    def status(self, text: str) -> None:
        """Say what is going on."""

    def alive(self) -> None:
        """Say that we do not hang."""

    def stopping(self) -> None:
        """Say that we end."""

    def alive_for(self, seconds: float) -> AbstractContextManager[None]:
        """Say that we do not hang, until the block ends or the time is over."""


class DaemonLog(Protocol):
    """Keeps lines for whoever looks; see holdstill.notify.log."""

    def info(self, text: str, **fields: str) -> None:
        """Say what is going on; fields are for programs that look."""

    def warning(self, text: str, **fields: str) -> None:
        """Say what somebody should look at."""

    def error(self, text: str, **fields: str) -> None:
        """Say what went wrong."""


@dataclass(frozen=True)
class DaemonDependencies:
    """What the daemon is handed.

    Attributes:
        agenda: says when a night begins.
        trier: takes captures.
        herald: tells people.
        last_sealed: when the board last sealed a capture, whoever asked for it.
        publish: puts numbers where a machine looks for them.
    """

    clock: Clock
    agenda: DueNights
    trier: Attempts
    herald: Notifier
    book: StateStore
    window: LiveStatus
    supervisor: ServiceManager
    lines: DaemonLog
    last_sealed: Callable[[], datetime | None]
    publish: Callable[[NightlyState, datetime | None], None]


class Nightly:
    """The daemon. Call `run`; or `start`, and then `beat`, resting as long as it says."""

    def __init__(self, settings: BoardSettings, means: DaemonDependencies) -> None:
        self.settings = settings
        self.means = means
        self.diary = means.book.load()
        self.night: NightRetries | None = None
        self._last_try: RunOutcome | None = None
        self._live = means.window.read() or DaemonStatus(phase=Phase.CLOCK)
        means.agenda.ran = self._live.ran

    def run(self) -> NoReturn:
        """Live until told to stop, by Stopping."""
        self.start()
        while True:
            self.means.clock.sleep(self.beat())

    def start(self) -> None:
        """Say that we are there; give up the run that killed the daemon before this one."""
        self.means.supervisor.ready()
        if self._live.phase is Phase.RUNNING:  # it would kill this one, too, and so on
            what = "the run was ended from outside: killed, out of memory, or hanging"
            hint = "look at `journalctl -u holdstill-nightly`"
            self.night = NightRetries(self._live.day, 0.0, 0.0)
            tries = self._live.tries + 1
            self._conclude(self.means.trier.failed(INTERNAL, what, hint, tries=tries))

    def stop(self) -> None:
        """Say that the end was asked for: a run that was under way is no failure."""
        self.means.supervisor.stopping()
        self._show(Phase.CLOCK)

    def beat(self) -> float:
        """Do what is due; return how long to rest."""
        self.means.supervisor.alive()
        # See what is due by now.
        agenda = self.means.agenda
        diary, begun = agenda.take_due(self.diary)
        self._keep(diary)
        if begun is not None:
            self._begin(begun)
        if agenda.has_week_ended:
            agenda.has_week_ended = False
            due = _text(self.means.agenda.due)
            told = self.means.herald.week_ended(self.diary, due=due, now=self.means.clock.now())
            self._keep(msgspec.structs.replace(told, summarised=self.means.agenda.today))
        if self.night is not None and self.means.clock.monotonic() >= self.night.next_try:
            self._try(self.night)
        self._notice_silence()
        self._deliver()
        self._show(self._resting_phase())
        return self._rest()

    # A night -----------------------------------------------------------------------------------

    def _begin(self, begun: NightRetries) -> None:
        if self.night is not None and self.night.day in {"", begun.day}:
            self.night = replace(self.night, day=begun.day)  # under way before it had a date
            return
        if self._last_try is not None:
            self._conclude(self._last_try)
        self.night = begun

    def _try(self, night: NightRetries) -> None:
        self._show(Phase.RUNNING)
        outcome = self.means.trier.run(_Steps(self), tries=len(night.failures) + 1)
        if outcome.is_sealed:
            self._conclude(outcome)
            return
        limit = self.settings.nightly.retry_hours * _HOUR
        now = self.means.clock.monotonic()
        left = night.after(outcome.code, now=now, limit=limit)
        if left is None:
            self._conclude(outcome)
            return
        self.night, self._last_try = left, outcome
        wait = f"next try in {left.next_try - now:.0f} s"
        self.means.lines.warning(f"{outcome.what}; {wait}")

    def _conclude(self, outcome: RunOutcome) -> None:
        """End the night: write it down, and tell whom it concerns."""
        day = self.night.day if self.night is not None else ""
        self.night = self._last_try = None
        if not day:
            self.means.agenda.ran = self.means.clock.monotonic()
        self._write_log(outcome)
        diary = msgspec.structs.replace(
            self.diary,
            last=outcome,
            good=outcome if outcome.is_sealed else self.diary.good,
            served=max(day, self.diary.served),
            week=_counted(self.diary.week, outcome),
        )
        self._keep(self.means.herald.run_ended(diary, outcome))

    def _write_log(self, outcome: RunOutcome) -> None:
        lines, fields = self.means.lines, _fields(self.settings.board, outcome)
        if not outcome.is_sealed:
            hint = f". What to do: {outcome.hint}" if outcome.hint else ""
            what = f"no capture, exit code {outcome.code}: {outcome.what}{hint}"
            lines.error(what, **fields)
            return
        lines.info(outcome.what, **fields)
        for warning in outcome.warnings:
            lines.warning(warning, board=self.settings.board, capture=outcome.capture)

    # Telling -----------------------------------------------------------------------------------

    def _notice_silence(self) -> None:
        """Tell when there has been no good capture for days; a night may still mend that."""
        is_mending = self.night is not None and not self.night.failures
        if not self.means.agenda.is_dated or is_mending:
            return
        now, good = self.means.clock.now(), self.diary.good
        known = [due_nights.moment(self.diary.begun), self.means.last_sealed()]
        known.append(
            due_nights.moment(good.at) if good is not None and good.clock_trusted else None
        )
        since = max((then for then in known if then is not None and then <= now), default=now)
        days = self.settings.notify.silent_days
        self._keep(self.means.herald.is_quiet(self.diary, since=since, now=now, days=days))

    def _deliver(self) -> None:
        if not self.diary.outbox:
            return
        with self.means.supervisor.alive_for(_HOUR):
            now = self.means.clock.monotonic()
            self._keep(self.means.herald.deliver(self.diary, now=now))

    def _keep(self, diary: NightlyState) -> None:
        """Write the diary down, if it has changed: cards wear."""
        if diary == self.diary:
            return
        self.diary = diary
        try:
            self.means.book.save(diary)
        except OSError as error:  # a card that fails is no reason to stop: it is the reason we run
            self.means.lines.error(f"the diary cannot be written: {error}")

    # Showing -----------------------------------------------------------------------------------

    def show_step(self, step: str) -> None:
        """Show what a run is doing."""
        self.means.supervisor.alive()
        self._show(Phase.RUNNING, step)

    def _resting_phase(self) -> Phase:
        if self.night is not None:
            return Phase.RETRYING if self.night.failures else Phase.SETTLING
        return Phase.WAITING if self.means.agenda.is_dated else Phase.CLOCK

    def _show(self, phase: Phase, step: str = "") -> None:
        agenda, night = self.means.agenda, self.night
        live = DaemonStatus(
            phase=phase,
            due=_text(agenda.due),
            step=step,
            day=night.day if night else "",
            tries=len(night.failures) if night else 0,
            ran=agenda.ran,
        )
        if live != self._live:
            self._live = live
            self.means.window.show(live)
            self.means.supervisor.status(_sentence(live))
        self.means.publish(self.diary, agenda.due)

    def _rest(self) -> float:
        """Return how long nothing will be due, as far as can be foreseen."""
        now, agenda = self.means.clock.monotonic(), self.means.agenda
        rests = [LONGEST_REST if agenda.is_dated else REST_WITHOUT_CLOCK]
        if self.means.supervisor.patience:
            rests.append(self.means.supervisor.patience / 3)
        if self.night is not None:
            rests.append(self.night.next_try - now)
        if agenda.idle_seconds is not None:
            rests.append(agenda.idle_seconds)
        if self.diary.outbox:
            rests.append(self.means.herald.next_try - now)
        return max(SHORTEST_REST, min(rests))


def _fields(board: str, outcome: RunOutcome) -> dict[str, str]:
    """Return what a program may search the log for, once a run has ended."""
    return {
        "board": board,
        "capture": outcome.capture,
        "exit_code": str(outcome.code),
        "tries": str(outcome.tries),
        "seconds": f"{outcome.seconds:.1f}",
        "frozen_ms": f"{outcome.frozen_ms:.1f}",
        "new_bytes": str(outcome.new_bytes),
        "wire_bytes": str(outcome.wire_bytes),
    }


@dataclass(frozen=True)
class _Steps:
    """Tells the daemon how far a capture is."""

    nightly: Nightly

    def step(self, what: str) -> None:
        """Begin a step of the work."""
        self.nightly.show_step(what)

    def update(self, done: int, total: int) -> None:
        """Say nothing: nobody watches at night."""

    def warn(self, text: str) -> None:
        """Say something that should not be missed."""
        self.nightly.means.lines.warning(text)

    def muted(self) -> AbstractContextManager[None]:
        """Say nothing for the length of the block; the watchdog's thread only uses a socket."""
        return nullcontext()


def _counted(week: Week, outcome: RunOutcome) -> Week:
    return Week(
        since=week.since,
        sealed=week.sealed + outcome.is_sealed,
        failed=week.failed + (not outcome.is_sealed),
        new_bytes=week.new_bytes + outcome.new_bytes,
        longest_frozen_ms=max(week.longest_frozen_ms, outcome.frozen_ms),
    )


def _text(moment: datetime | None) -> str:
    return "" if moment is None else clocks.rfc3339(moment)


def _sentence(live: DaemonStatus) -> str:
    parts = [live.phase.value]
    if live.step:
        parts.append(live.step)
    if live.tries:
        parts.append(f"failed tries: {live.tries}")
    if live.due:
        parts.append(f"next run {live.due}")
    return "; ".join(parts)
