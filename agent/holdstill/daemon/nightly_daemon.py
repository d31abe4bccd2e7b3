"""The board daemon: runs scheduled captures and sends notifications.

Everything outside is a dependency: the clock, the capture itself, recipients, the service manager.
What must survive a power cut is one small state file; what is only of this boot is in memory.
"""

from __future__ import annotations

from contextlib import nullcontext
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NoReturn

import msgspec

from holdstill.model.nightly_state import UNFINISHED, DaemonStatus, Phase, RunOutcome, Week
from holdstill.schedule import due_nights
from holdstill.schedule.retry import NightRetries
from holdstill.system import clocks
from holdstill.workflow.attempt import INTERNAL

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager
    from datetime import datetime

    from holdstill.daemon.dependencies import DaemonDependencies
    from holdstill.model.estimate import Stage
    from holdstill.model.nightly_state import NightlyState


LONGEST_REST, SHORTEST_REST = 300.0, 1.0
"""Seconds between two checks of the clock: it may be set meanwhile."""


REST_WITHOUT_CLOCK = 30.0


_HOUR = 3600.0


class Nightly:
    """The daemon. Call `run`; or `start`, then `run_due` again and again."""

    def __init__(
        self,
        board: str,
        means: DaemonDependencies,
        *,
        retry_hours: float,
        silent_days: int,
    ) -> None:
        self.board = board
        self._retry_hours = retry_hours
        self._silent_days = silent_days
        self.outside = means
        self.state = means.state_store.load()
        self.night: NightRetries | None = None
        self._last_try: RunOutcome | None = None
        self._live = means.live_status.read() or DaemonStatus(phase=Phase.CLOCK)
        means.due_nights.ran = self._live.ran

    def run(self) -> NoReturn:
        """Run until TerminationRequested is raised."""
        self.start()
        while True:
            self.outside.clock.sleep(self.run_due())

    def start(self) -> None:
        """Report readiness; record a run that killed the daemon before this one as failed."""
        self.outside.service_manager.ready()
        if self._live.phase is Phase.RUNNING:  # tried again, it would kill this one, too
            what = "the run was ended from outside: killed, out of memory, or hanging"
            hint = "look at `journalctl -u holdstill-nightly`"
            self.night = NightRetries(self._live.day, 0.0, 0.0)
            tries = self._live.tries + 1
            self._conclude(self.outside.attempts.failed(INTERNAL, what, hint, tries=tries))

    def stop(self) -> None:
        """Report an orderly stop: a run that was under way is no failure."""
        self.outside.service_manager.stopping()
        self._show(Phase.CLOCK)

    def run_due(self) -> float:
        """Do what is due; return the seconds until something may be due again."""
        self.outside.service_manager.alive()
        agenda = self.outside.due_nights
        state, begun = agenda.take_due(self.state)
        self._save(state)
        if begun is not None:
            self._begin(begun)
        if agenda.has_week_ended:
            agenda.has_week_ended = False
            due = _text(self.outside.due_nights.due)
            notified = self.outside.notifier.week_ended(
                self.state, due=due, now=self.outside.clock.now()
            )
            self._save(msgspec.structs.replace(notified, summarised=self.outside.due_nights.today))
        if self.night is not None and agenda.is_over(self.night.day):
            self._end_by_time(self.night)
        elif self.night is not None and self.outside.clock.monotonic() >= self.night.next_try:
            self._try(self.night)
        self._notice_silence()
        self._deliver()
        self._show(self._resting_phase())
        now, agenda = self.outside.clock.monotonic(), self.outside.due_nights
        rests = [LONGEST_REST if agenda.is_dated else REST_WITHOUT_CLOCK]
        if self.outside.service_manager.patience:
            rests.append(self.outside.service_manager.patience / 3)
        if self.night is not None:
            rests.append(self.night.next_try - now)
        if agenda.idle_seconds is not None:
            rests.append(agenda.idle_seconds)
        if self.state.outbox:
            rests.append(self.outside.notifier.next_try - now)
        return max(SHORTEST_REST, min(rests))

    def _begin(self, begun: NightRetries) -> None:
        if self.night is not None and self.night.day in {"", begun.day}:
            self.night = replace(self.night, day=begun.day)  # under way before it had a date
            return
        if self._last_try is not None:
            self._conclude(self._last_try)
        self.night = begun

    def _end_by_time(self, night: NightRetries) -> None:
        """End a night whose time is over, between two tries or before the first one."""
        self._conclude(
            self._last_try
            or self.outside.attempts.failed(
                UNFINISHED,
                f"the night of {night.day} was over before a capture could begin",
                "the next night is tried as usual",
                tries=0,
            )
        )

    def _try(self, night: NightRetries) -> None:
        self.outside.due_nights.serving = night.day
        self._show(Phase.RUNNING)
        outcome = self.outside.attempts.run(_RunProgress(self), tries=len(night.failures) + 1)
        if outcome.is_sealed:
            self._conclude(outcome)
            return
        limit = self._retry_hours * _HOUR
        now = self.outside.clock.monotonic()
        left = night.after(outcome.code, now=now, limit=limit)
        if left is None:
            self._conclude(outcome)
            return
        self.night, self._last_try = left, outcome
        wait = f"next try in {left.next_try - now:.0f} s"
        self.outside.event_log.warning(f"{outcome.what}; {wait}")

    def _conclude(self, outcome: RunOutcome) -> None:
        """End the night: log it, save it, and send notifications."""
        day = self.night.day if self.night is not None else ""
        self.night = self._last_try = None
        if not day:
            self.outside.due_nights.ran = self.outside.clock.monotonic()
        self._write_log(outcome)
        counted = Week(
            since=self.state.week.since,
            sealed=self.state.week.sealed + outcome.is_sealed,
            failed=self.state.week.failed + (not outcome.is_sealed and not outcome.is_unfinished),
            unfinished=self.state.week.unfinished + outcome.is_unfinished,
            new_bytes=self.state.week.new_bytes + outcome.new_bytes,
            longest_frozen_ms=max(self.state.week.longest_frozen_ms, outcome.frozen_ms),
        )
        state = msgspec.structs.replace(
            self.state,
            last=outcome,
            good=outcome if outcome.is_sealed else self.state.good,
            served=max(day, self.state.served),
            week=counted,
        )
        self._save(self.outside.notifier.run_ended(state, outcome))

    def _write_log(self, outcome: RunOutcome) -> None:
        lines, fields = self.outside.event_log, _fields(self.board, outcome)
        if outcome.is_unfinished:
            lines.warning(outcome.what, **fields)
            return
        if not outcome.is_sealed:
            hint = f". What to do: {outcome.hint}" if outcome.hint else ""
            what = f"no capture, exit code {outcome.code}: {outcome.what}{hint}"
            lines.error(what, **fields)
            return
        lines.info(outcome.what, **fields)
        for warning in outcome.warnings:
            lines.warning(warning, board=self.board, capture=outcome.capture)

    def _notice_silence(self) -> None:
        """Notify after days without a good capture, unless a run that may end that is due."""
        is_mending = self.night is not None and not self.night.failures
        if not self.outside.due_nights.is_dated or is_mending:
            return
        now, good = self.outside.clock.now(), self.state.good
        known = [due_nights.moment(self.state.begun), self.outside.last_sealed()]
        known.append(
            due_nights.moment(good.at) if good is not None and good.clock_trusted else None
        )
        since = max((then for then in known if then is not None and then <= now), default=now)
        days = self._silent_days
        self._save(self.outside.notifier.is_quiet(self.state, since=since, now=now, days=days))

    def _deliver(self) -> None:
        if not self.state.outbox:
            return
        with self.outside.service_manager.alive_for(_HOUR):
            now = self.outside.clock.monotonic()
            self._save(self.outside.notifier.deliver(self.state, now=now))

    def _save(self, state: NightlyState) -> None:
        """Save the state if it has changed: cards wear."""
        if state == self.state:
            return
        self.state = state
        try:
            self.outside.state_store.save(state)
        except OSError as error:  # a failing card is no reason to stop capturing
            self.outside.event_log.error(f"the state file cannot be written: {error}")

    def show_step(self, step: str) -> None:
        """Show what a run is doing."""
        self.outside.service_manager.alive()
        self._show(Phase.RUNNING, step)

    def _resting_phase(self) -> Phase:
        if self.night is not None:
            return Phase.RETRYING if self.night.failures else Phase.SETTLING
        return Phase.WAITING if self.outside.due_nights.is_dated else Phase.CLOCK

    def _show(self, phase: Phase, step: str = "") -> None:
        agenda, night = self.outside.due_nights, self.night
        live = DaemonStatus(
            phase=phase,
            due=_text(agenda.due),
            step=step,
            day=night.day if night else "",
            tries=len(night.failures) if night else 0,
            ran=agenda.ran,
            all_day=self.outside.all_day_cost(),
        )
        if live != self._live:
            self._live = live
            self.outside.live_status.show(live)
            parts = [live.phase.value]
            if live.step:
                parts.append(live.step)
            if live.tries:
                parts.append(f"failed tries: {live.tries}")
            if live.due:
                parts.append(f"next run {live.due}")
            sentence = "; ".join(parts)
            self.outside.service_manager.status(sentence)
        self.outside.publish(self.state, agenda.due)


def _fields(board: str, outcome: RunOutcome) -> dict[str, str]:
    """Return the structured fields of the log entry that ends a run."""
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
class _RunProgress:
    """Progress of a capture, shown by the daemon (`workflow.ports.Progress`)."""

    nightly: Nightly

    def expect(self, stages: Sequence[Stage]) -> None:
        """Ignored: nobody waits at night."""

    def step(self, what: str) -> None:
        """Show a step."""
        self.nightly.show_step(what)

    def update(self, done: int, total: int) -> None:
        """Ignored: no terminal at night."""

    def warn(self, text: str) -> None:
        """Log a warning."""
        self.nightly.outside.event_log.warning(text)

    def muted(self) -> AbstractContextManager[None]:
        """Nothing to mute: the watchdog's thread only uses a socket."""
        return nullcontext()


def _text(moment: datetime | None) -> str:
    return "" if moment is None else clocks.rfc3339(moment)
