"""Decides what is reported, once, and delivers it when the network is back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import msgspec

from holdstill.model.nightly_state import Message, NightlyState, Week
from holdstill.notify import incidents, messages
from holdstill.system import clocks

if TYPE_CHECKING:
    from datetime import datetime

    from holdstill.model.nightly_state import RunOutcome

FIRST_WAIT, LONGEST_WAIT = 300.0, 3600.0
"""Seconds between two attempts to deliver what could not be delivered."""


class Recipients(Protocol):
    """The recipients; see holdstill.notify.recipients."""

    def names(self) -> tuple[str, ...]:
        """Return a fingerprint of each address."""

    def complaint(self) -> str:
        """Return why no message can be sent, or not safely; "" if all is well."""

    def send(self, message: Message) -> tuple[str, ...]:
        """Send a message to its recipients; return those who got it."""


class Notifier:
    """Takes the state and gives it back with what was decided."""

    def __init__(self, board: str, people: Recipients) -> None:
        self._board = board
        self.people = people
        self._wait = 0.0
        self.next_try = 0.0
        """When to try again to deliver, on the monotonic clock."""

    def run_ended(self, state: NightlyState, outcome: RunOutcome) -> NightlyState:
        """Report how a night ended, if that is new."""
        trouble, kind = incidents.judge(state.trouble, outcome)
        reported = msgspec.structs.replace(state, trouble=trouble)
        if kind is None:
            return reported
        return self._posted(
            reported, messages.about_run(kind, self._board, outcome, state.trouble)
        )

    def is_quiet(
        self, state: NightlyState, *, since: datetime, now: datetime, days: int
    ) -> NightlyState:
        """Report that there has been no good capture for days, if that is so and new."""
        trouble, kind = incidents.judge_silence(
            state.trouble, quiet_since=since, now=now, days=days
        )
        if kind is None:
            return state
        message = messages.about_silence(
            self._board, state, since=clocks.rfc3339(since), days=days, at=clocks.rfc3339(now)
        )
        return self._posted(msgspec.structs.replace(state, trouble=trouble), message)

    def week_ended(self, state: NightlyState, *, due: str, now: datetime) -> NightlyState:
        """Send the weekly summary, and begin another week."""
        at = clocks.rfc3339(now)
        message = messages.about_week(self._board, state.week, state, due=due, at=at)
        return self._posted(msgspec.structs.replace(state, week=Week(since=at)), message)

    def _posted(self, state: NightlyState, message: Message) -> NightlyState:
        self.next_try = self._wait = 0.0
        outbox = messages.posted(state.outbox, message, self.people.names())
        return msgspec.structs.replace(state, outbox=outbox)

    def deliver(self, state: NightlyState, *, now: float) -> NightlyState:
        """Deliver what waits in the outbox, if it is time to try."""
        if not state.outbox or now < self.next_try:
            return state
        known = self.people.names()
        outbox = state.outbox
        for message in state.outbox:
            reached = self.people.send(message)
            outbox = messages.delivered(outbox, message, reached, known)
            if not reached:
                break  # the network is away; the others would only take their time to fail
        self._wait = min(max(FIRST_WAIT, self._wait * 2), LONGEST_WAIT)
        self.next_try = now + self._wait
        return msgspec.structs.replace(state, outbox=outbox)
