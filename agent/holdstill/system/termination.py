"""Ending when told to: a signal becomes an exception, and every `with` puts back what it holds."""

from __future__ import annotations

import signal
from contextlib import contextmanager
from typing import TYPE_CHECKING, NoReturn

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

SIGNALS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)


class TerminationRequested(BaseException):
    """We were told to end."""


@contextmanager
def stoppable() -> Iterator[None]:
    """Let a signal raise Stopping in the block, once: cleaning up is not cut short by a second."""
    before = {number: signal.signal(number, _stop) for number in SIGNALS}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _stop(number: int, _: FrameType | None) -> NoReturn:
    for each in SIGNALS:
        # Not SIG_IGN: programs that are started while we clean up would inherit that.
        signal.signal(each, _hear)
    raise TerminationRequested(signal.Signals(number).name)


def _hear(_: int, __: FrameType | None) -> None:
    """Do nothing; we are ending already."""
