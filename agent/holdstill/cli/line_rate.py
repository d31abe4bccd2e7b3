"""The limit that holds now for what a board sends, by its settings and its clock."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.model import line_settings

if TYPE_CHECKING:
    from holdstill.cli.board_time import BoardTime
    from holdstill.model.line_settings import LineSettings
    from holdstill.system.clocks import Clock

LOOK_EVERY = 1.0
"""Seconds between two looks at the wall clock, which may be set meanwhile."""


class LineRate:
    """Returns bytes a second, 0 for no limit. Threads may share it."""

    def __init__(self, line: LineSettings, clock: Clock, source: BoardTime) -> None:
        self._line, self._clock, self._source = line, clock, source
        self._rate, self._until = 0, clock.monotonic()

    def __call__(self) -> int:
        """Return the limit of this hour; where the time is not known, the lowest of all."""
        now = self._clock.monotonic()
        if now >= self._until:
            self._rate, self._until = self._at_this_hour(), now + LOOK_EVERY
        return self._rate

    def _at_this_hour(self) -> int:
        if self._line.hours and not self._source.is_trusted():
            return line_settings.least_limit(self._line)
        local = self._clock.now().astimezone(self._source.zone())
        return line_settings.limit_at(self._line, local.time())
