from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from holdstill.model.nightly_state import Message, MessageKind, NightlyState, RunOutcome
from holdstill.notify.notifier import FIRST_WAIT, LONGEST_WAIT, Notifier

FAILED = RunOutcome(at="2026-11-26T08:31:00Z", code=6, what="no answer")


@dataclass
class Crowd:
    """Two people, of whom some can be reached."""

    reachable: set[str] = field(default_factory=set)
    asked: list[tuple[str, tuple[str, ...]]] = field(default_factory=list)

    def names(self) -> tuple[str, ...]:
        return ("a", "b")

    def complaint(self) -> str:
        return ""

    def send(self, letter: Message) -> tuple[str, ...]:
        self.asked.append((letter.title, letter.to))
        return tuple(who for who in letter.to if who in self.reachable)


def test_who_was_reached_is_not_written_to_again() -> None:
    crowd = Crowd({"a"})
    herald = Notifier("pier-3", crowd)
    state = herald.run_ended(NightlyState(), FAILED)

    state = herald.deliver(state, now=0.0)
    crowd.reachable.add("b")
    state = herald.deliver(state, now=FIRST_WAIT)

    assert crowd.asked == [("pier-3: no capture", ("a", "b")), ("pier-3: no capture", ("b",))]
    assert state.outbox == ()


def test_a_network_that_is_away_is_asked_less_and_less_often() -> None:
    crowd = Crowd()
    herald = Notifier("pier-3", crowd)
    state = herald.run_ended(NightlyState(), FAILED)
    now, waits = 0.0, []

    for _ in range(6):
        state = herald.deliver(state, now=now)
        assert herald.deliver(state, now=now) is state  # too soon
        waits.append(herald.next_try - now)
        now = herald.next_try

    assert waits == [FIRST_WAIT, 600, 1200, 2400, LONGEST_WAIT, LONGEST_WAIT]
    assert len(crowd.asked) == 6


def test_one_letter_that_reaches_nobody_is_enough_to_know() -> None:
    crowd = Crowd()
    herald = Notifier("pier-3", crowd)
    start = datetime(2026, 11, 20, tzinfo=UTC)
    state = herald.run_ended(NightlyState(), FAILED)
    state = herald.is_quiet(state, since=start, now=start + timedelta(days=4), days=3)

    state = herald.deliver(state, now=0.0)

    assert [letter.kind for letter in state.outbox] == [MessageKind.FAILURE, MessageKind.SILENCE]
    assert len(crowd.asked) == 1


def test_news_is_tried_at_once() -> None:
    crowd = Crowd()
    herald = Notifier("pier-3", crowd)
    state = herald.deliver(herald.run_ended(NightlyState(), FAILED), now=0.0)
    crowd.reachable = {"a", "b"}

    state = herald.week_ended(state, due="soon", now=datetime(2026, 11, 30, 9, tzinfo=UTC))
    state = herald.deliver(state, now=1.0)

    assert state.outbox == ()
    assert state.week.since == "2026-11-30T09:00:00Z"
