"""The agent's side of the guard, with pipes in the place of the guard's process."""

from __future__ import annotations

import os
import signal
import threading
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.board import freeze_state, guard
from holdstill.board.guard import Guard
from holdstill.board.guard_process import ARM, ORDER, STAND_DOWN, Protection
from holdstill.errors import PauseError
from support.services import FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator

EVERYTHING = Protection.LOCKED | Protection.REALTIME | Protection.SPARED


@dataclass
class Armed:
    """A guard, and the other ends of its pipes."""

    guard: Guard
    clock: FakeClock
    orders: int
    said: int

    def take_order(self) -> tuple[bytes, float]:
        letter, moment = ORDER.unpack(os.read(self.orders, ORDER.size))
        return letter, moment

    def die(self) -> None:
        """Close what the guard's process would have open."""
        for handle in (self.orders, self.said):
            if handle >= 0:
                os.close(handle)
        self.orders = self.said = -1


@contextmanager
def armed(strength: Protection = EVERYTHING) -> Iterator[Armed]:
    (orders, order), (answer, said) = os.pipe(), os.pipe()
    clock = FakeClock()
    made = Guard((), freeze_state.in_memory(1), clock, 5.0, order, answer, strength)
    there = Armed(made, clock, orders, said)
    try:
        yield there
    finally:
        there.die()
        os.close(order)
        os.close(answer)


def test_the_time_runs_from_the_order_on_for_as_long_as_agreed() -> None:
    with armed() as there:
        deadline = there.guard.start_deadline()

        assert deadline == there.clock.monotonic() + 5.0
        assert there.take_order() == (ARM, deadline)


def test_standing_down_stops_the_time() -> None:
    with armed() as there:
        there.guard.stand_down()

        assert there.take_order() == (STAND_DOWN, 0.0)


def test_with_a_guard_that_lives_and_is_silent_all_is_well() -> None:
    with armed() as there:
        there.guard.check()

        assert not there.guard.fired


def test_nothing_is_begun_with_a_dead_guard() -> None:
    with armed() as there:
        there.die()

        with pytest.raises(PauseError, match="guard died") as caught:
            there.guard.check()
        assert caught.value.hint == (
            "look for what killed it: out of memory, or a kill of the whole service"
        )
        with pytest.raises(PauseError, match="guard died"):
            there.guard.start_deadline()
        there.guard.stand_down()  # a dead guard needs no order


def test_a_guard_that_dies_between_question_and_order_is_noticed() -> None:
    with armed() as there:
        os.close(there.orders)
        there.orders = -1

        with pytest.raises(PauseError, match="guard died"):
            there.guard.start_deadline()


def test_nothing_is_begun_with_a_guard_that_has_acted() -> None:
    with armed() as there:
        there.guard.marks.expire()

        assert there.guard.fired
        with pytest.raises(PauseError, match="already let go"):
            there.guard.start_deadline()


@pytest.mark.parametrize(
    ("lacking", "words"),
    [
        (Protection(0), ()),
        (Protection.LOCKED, ("memory could not be locked",)),
        (Protection.REALTIME, ("no realtime priority",)),
        (Protection.SPARED, ("not spared by the out-of-memory killer",)),
        (EVERYTHING, ("locked", "realtime", "spared")),
    ],
)
def test_what_the_kernel_refused_is_told(lacking: Protection, words: tuple[str, ...]) -> None:
    with armed(EVERYTHING & ~lacking) as there:
        told = there.guard.shortcomings

    assert len(told) == len(words)
    assert all(word in line for word, line in zip(words, told, strict=True))


def test_a_guard_says_how_strong_it_is() -> None:
    answer, said = os.pipe()
    os.write(said, bytes([Protection.LOCKED | Protection.SPARED]))

    assert guard._await_ready(answer) == Protection.LOCKED | Protection.SPARED
    os.close(said)
    with pytest.raises(PauseError, match="did not start"):
        guard._await_ready(answer)
    os.close(answer)


def test_no_signal_is_taken_meanwhile_and_each_one_afterwards_that_was_taken_before() -> None:
    before = signal.pthread_sigmask(signal.SIG_BLOCK, ())

    with guard._signals_blocked():
        meanwhile = signal.pthread_sigmask(signal.SIG_BLOCK, ())

    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == before
    # signal(7): the two can be neither caught nor blocked; pthread_sigmask(3): nor glibc's own.
    assert set(signal.Signals) - meanwhile == {signal.SIGKILL, signal.SIGSTOP}


def test_a_guard_that_takes_its_time_is_waited_for() -> None:
    answer, said = os.pipe()
    late = threading.Timer(0.1, os.write, (said, bytes([EVERYTHING])))
    late.start()

    assert guard._await_ready(answer) == EVERYTHING

    late.join()
    os.close(said)
    os.close(answer)
