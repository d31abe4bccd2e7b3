"""What a board knows of the line to its keeper, and what a night over it takes."""

from __future__ import annotations

from datetime import time, timedelta
from typing import TYPE_CHECKING

from holdstill.model import line_settings
from holdstill.model.layout import Record
from holdstill.model.line_settings import Compress
from holdstill.model.sizes import human
from holdstill.model.store_address import HostAddress
from holdstill.workflow import board_state

if TYPE_CHECKING:
    from datetime import datetime

    from holdstill.model.settings import BoardSettings

_NEVER = "not measured yet: the first capture that sends more than a little measures it"


class LineReport(Record, frozen=True, kw_only=True):
    """What is known of the line.

    Attributes:
        rate: bytes a second, measured at `measured_at` (RFC 3339) by transfers; 0 for not yet.
        limit, limit_at_night: bytes a second that the settings allow now, and when the nightly run
            begins; 0 for no limit.
        last_sent: bytes that the last sealed capture sent; 0 for none, or nothing.
        night_seconds: what a night that sends as much takes; 0 for not known.
        compress: the setting.
        compressed, compressed_to: contents of the last capture that were compressed on their way,
            and the bytes that became of them.
    """

    rate: float
    measured_at: str
    limit: int
    limit_at_night: int
    last_sent: int
    night_seconds: float
    compress: Compress
    compressed: int
    compressed_to: int

    @property
    def words(self) -> str:
        """All of it for a person."""
        return "; ".join(filter(None, (self._speed, self._limits, self._night, self._packing)))

    @property
    def _speed(self) -> str:
        return f"{human(int(self.rate))}/s, measured {self.measured_at}" if self.rate else _NEVER

    @property
    def _limits(self) -> str:
        if not self.limit and not self.limit_at_night:
            return "no limit is set"
        now, at_night = _limit(self.limit), _limit(self.limit_at_night)
        return f"limit {now}" if now == at_night else f"limit now {now}, at night {at_night}"

    @property
    def _night(self) -> str:
        if not self.night_seconds:
            return ""
        taken = timedelta(seconds=max(1, round(self.night_seconds)))
        return f"a night that sends {human(self.last_sent)}, as the last one, takes {taken}"

    @property
    def _packing(self) -> str:
        if self.compressed:
            became = f"{human(self.compressed)} of the last capture became"
            return f"compressed ({self.compress}): {became} {human(self.compressed_to)}"
        return f"compressed ({self.compress}): nothing of the last capture" * bool(self.last_sent)


def read(settings: BoardSettings, now: datetime) -> LineReport | None:
    """Return what is known of the line; None where the keeper is a directory.

    now: in the board's time zone.
    """
    if not isinstance(settings.keeper, HostAddress):
        return None
    seen, line = board_state.line_seen(settings.state), settings.line
    at_night = line_settings.limit_at(line, time.fromisoformat(settings.nightly.time))
    rate = min(filter(None, (seen.rate, at_night)), default=0.0)
    return LineReport(
        rate=seen.rate,
        measured_at=seen.at,
        limit=line_settings.limit_at(line, now.time()),
        limit_at_night=at_night,
        last_sent=seen.sent,
        night_seconds=round(seen.sent / rate, 1) if rate else 0.0,
        compress=line.compress,
        compressed=seen.compressed,
        compressed_to=seen.compressed_to,
    )


def _limit(limit: int) -> str:
    return f"{human(limit)}/s" if limit else "none"
