"""The board's clock and time zone, as the calendar reads them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import identity

if TYPE_CHECKING:
    from datetime import tzinfo

    from holdstill.schedule.zone import LocalZone
    from holdstill.system.clocks import Clock


@dataclass(frozen=True)
class BoardTime:
    """The time of day on this board (`schedule.due_nights.TimeSource`)."""

    clock: Clock
    local: LocalZone

    def is_trusted(self) -> bool:
        """Whether something has set the clock since boot."""
        return identity.is_clock_trusted(self.clock.now().year)

    def zone(self) -> tzinfo:
        """Return the time zone that is set now."""
        return self.local()
