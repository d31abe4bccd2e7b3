"""Termination signals as an exception, so that context managers unwind."""

from __future__ import annotations

import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FrameType

SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


class TerminationRequested(BaseException):
    """Raised once, on the first of SIGNALS, with its name."""


class _Received:
    is_any = False


def is_requested() -> bool:
    """Return whether one of SIGNALS has come: for threads, in which nothing is raised."""
    return _Received.is_any


@contextmanager
def stoppable() -> Iterator[None]:
    """Raise TerminationRequested on a signal, once: a second does not interrupt the clean-up."""
    before = {number: signal.signal(number, _raise_once) for number in SIGNALS}
    _Received.is_any = False
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _raise_once(number: int, _: FrameType | None) -> NoReturn:
    for each in SIGNALS:
        # Not SIG_IGN: programs that are started during the clean-up would inherit that.
        signal.signal(each, _ignore)
    _Received.is_any = True
    raise TerminationRequested(signal.Signals(number).name)


def _ignore(_: int, __: FrameType | None) -> None:
    """Do nothing: the clean-up is running already."""


@contextmanager
def noting(state: Callable[[], str], *, is_all: bool = False) -> Iterator[None]:
    """Note of an interruption that passes in which state it leaves things; the first note counts.

    Args:
        state: is asked only then: what it says may change within the block.
        is_all: whether it says all, in the place of what was noted within the block.
    """
    try:
        yield
    except (TerminationRequested, KeyboardInterrupt) as told:
        if is_all:
            vars(told).pop("__notes__", None)
        note(told, state())
        raise


def note(told: BaseException, state: str) -> None:
    """Note of an interruption in which state it leaves things, unless that was noted."""
    if not getattr(told, "__notes__", ()):
        told.add_note(state)
