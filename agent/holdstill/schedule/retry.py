"""Retries of one night: which failures are retried, how soon, and for how long. Pure."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from holdstill.errors import (
    BusyError,
    LinkError,
    PauseError,
    PreflightError,
    VerificationError,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

AS_LONG_AS_THE_NIGHT: Final = 1 << 30


@dataclass(frozen=True)
class RetryPolicy:
    """How often a failure is worth another try.

    Attributes:
        first: seconds until the next try; each later wait is twice as long.
        most: longest wait.
        again: further tries in one night.
    """

    first: float
    most: float
    again: int = AS_LONG_AS_THE_NIGHT

    def wait(self, failures: int) -> float | None:
        """Return the seconds to wait after so many failures, None to give up."""
        if failures > self.again:
            return None
        return float(min(self.first * 2 ** min(failures - 1, 32), self.most))


PATIENCE: Mapping[int, RetryPolicy] = {
    # Wi-Fi comes up in seconds, a keeper in minutes; neither is worth a message.
    LinkError.exit_code: RetryPolicy(15.0, 1800.0),
    BusyError.exit_code: RetryPolicy(300.0, 300.0),
    PreflightError.exit_code: RetryPolicy(1800.0, 1800.0, 3),
    # What kept changing may have calmed down; a remembered index that was damaged is gone.
    PauseError.exit_code: RetryPolicy(600.0, 600.0, 1),
    VerificationError.exit_code: RetryPolicy(600.0, 600.0, 1),
}
"""By exit code. What is not listed will not go away by itself."""


@dataclass(frozen=True)
class NightRetries:
    """One run that is due, with its tries; times are monotonic seconds.

    Attributes:
        day: the local date that it serves; "" while the clock is not to be trusted.
        began: when its first try was to be.
        next_try: when to try.
        failures: exit codes of the tries so far.
    """

    day: str
    began: float
    next_try: float
    failures: tuple[int, ...] = ()

    def after(self, code: int, *, now: float, limit: float) -> NightRetries | None:
        """Return the night after another failed attempt; None when it is given up.

        Args:
            code: the exit code of the try.
            now: when it ended.
            limit: seconds from the first try on in which to go on trying.
        """
        patience = PATIENCE.get(code)
        failures = (*self.failures, code)
        wait = patience.wait(failures.count(code)) if patience else None
        if wait is None or now + wait > self.began + limit:
            return None
        return replace(self, next_try=now + wait, failures=failures)


def share(board: str, spread: timedelta) -> timedelta:
    """Return a board's own part of a spread: whole seconds, always the same, evenly spread."""
    digest = hashlib.sha256(f"holdstill nightly {board}".encode()).digest()
    return timedelta(seconds=int(spread.total_seconds() * int.from_bytes(digest[:6]) / 2**48))
