"""How far a piece of work is, and how long it will still take. Pure: moments are passed in.

Work is stages, each with the seconds that it is thought to take before anybody knows better. What
was thought is held against what the stages so far took; a stage that counts its own bytes tells
more with each of them. The share that is done is time that went by, of all time: so a bar made of
it moves evenly. It never runs backwards, and is the whole only when the work ended.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

_DAMPING = 5.0
"""Seconds of stages as thought that count beside those that were measured."""
_MOST = 0.99
"""The largest share before the end."""


class Stage(NamedTuple):
    """One part of the work.

    Attributes:
        what: what it is called when it begins.
        seconds: how long it will take, as far as is known beforehand.
    """

    what: str
    seconds: float


_NOTHING = Stage("", 0.0)


@dataclass
class Estimate:
    """Of one piece of work, which began at a moment in seconds.

    Attributes:
        has_plan: whether it is known what is to come; without that there is no share of the whole.
    """

    began: float
    has_plan: bool = False
    _ahead: list[Stage] = field(default_factory=list)
    _now: Stage = _NOTHING
    _now_began: float = 0.0
    _part: float = 0.0
    _took: float = 0.0
    _thought: float = 0.0
    _shown: float = 0.0

    def expect(self, stages: Sequence[Stage]) -> None:
        """Say what is still to come after the stage that is under way, in its order."""
        self._ahead, self.has_plan = list(stages), True

    def begin(self, what: str, at: float) -> None:
        """Begin a stage: the one before it is done, and those that stood between do not come.

        One that nobody expected changes nothing of what is to come.
        """
        if self._now.seconds:
            self._took += at - self._now_began
            self._thought += self._now.seconds
        place = next((n for n, each in enumerate(self._ahead) if each.what == what), -1)
        self._now = self._ahead[place] if place >= 0 else Stage(what, 0.0)
        del self._ahead[: place + 1]
        self._now_began, self._part = at, 0.0

    def advance(self, done: int, total: int) -> None:
        """Say how much of the stage is done, of how much; both in the same unit."""
        self._part = min(1.0, done / total) if total > 0 else 0.0

    def end(self) -> None:
        """Say that the work is done: the share is the whole."""
        self._ahead, self._now, self._part, self._shown = [], _NOTHING, 0.0, 1.0

    def left(self, at: float) -> float:
        """Return how many seconds it will still take."""
        return self._left_now(at) + sum(each.seconds for each in self._ahead) * self._pace

    def share(self, at: float) -> float:
        """Return which share is done, from 0 to 1; never less than it was."""
        gone = max(0.0, at - self.began)
        left = self.left(at)
        found = gone / (gone + left) if gone + left > 0 else 0.0
        self._shown = max(self._shown, min(found, _MOST))
        return self._shown

    @property
    def _pace(self) -> float:
        """How many seconds one that was thought takes really."""
        return (self._took + _DAMPING) / (self._thought + _DAMPING)

    def _left_now(self, at: float) -> float:
        thought, gone = self._now.seconds * self._pace, max(0.0, at - self._now_began)
        part = self._part
        if part > 0:
            # Seen: gone * (1 - part) / part; it counts the more, the more is done.
            return gone * (1 - part) + (1 - part) ** 2 * thought
        # One that does not count comes ever nearer to its end: half of it is left when the time
        # is over that it was thought to take.
        return thought * thought / (thought + gone) if thought > 0 else 0.0


def in_words(seconds: float) -> str:
    """Return about how long, in words; never less than it is."""
    if seconds < 10:
        return "seconds"
    if seconds < 60:
        return f"{_up(seconds, 10)} s"
    if seconds < 3600:
        return f"{_up(seconds, 60) // 60} min"
    minutes = _up(seconds, 600) // 60
    return f"{minutes // 60} h {minutes % 60:02} min"


def _up(seconds: float, to: int) -> int:
    return -int(-seconds // to) * to
