"""How many wrong tokens are looked at in a while.

A token has 256 bits and is guessed by nobody; the limit keeps whoever tries from being work. So
a right token is always taken: nobody can shut out the owner by guessing.
"""

from __future__ import annotations

from collections import deque
from threading import Lock
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdstill.system.clocks import Clock

MOST, SECONDS = 20, 60.0
"""So many wrong ones are answered in so long; the others are sent away."""


class GuessLimit:
    """Counts wrong tokens, from wherever they come: by a tunnel all come from one address."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._lock = clock, Lock()
        self._wrong: deque[float] = deque(maxlen=MOST)

    def is_reached(self) -> bool:
        """Note a wrong token; return whether there were too many lately."""
        now = self._clock.monotonic()
        with self._lock:
            is_full = len(self._wrong) == MOST and now - self._wrong[0] < SECONDS
            if not is_full:
                self._wrong.append(now)
        return is_full
