"""Until when things off-site are locked, by the server's clock and never by the keeper's.

A lock in COMPLIANCE mode can be lengthened and never be shortened: one that a wrong clock made
cannot be undone. So both clocks have to agree before anything is locked.
"""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from holdstill.errors import LinkError, MachineError
from holdstill.offsite.bucket import RefusedError
from holdstill.system import clocks

if TYPE_CHECKING:
    from holdstill.offsite.bucket import Bucket
    from holdstill.system.clocks import Clock

SKEW = timedelta(minutes=15)
"""By how much the clocks may differ: servers refuse a signature that is off by more (common
practice)."""


class Locks:
    """Dates of locks for one run.

    Args:
        bucket: whose server's clock counts.
        days: that a lock lasts; 0 for none.
        clock: of this machine.
    """

    def __init__(self, bucket: Bucket, days: int, clock: Clock) -> None:
        self.now = bucket.now()
        here = clock.now()
        if abs(self.now - here) > SKEW:
            raise MachineError(
                f"the clock of this machine ({clocks.rfc3339(here)}) and that of "
                f"{bucket.address.endpoint} ({clocks.rfc3339(self.now)}) differ",
                hint="nothing was sent, for a lock of a wrong date cannot be undone: set the "
                "clock that is wrong",
            )
        self._bucket, self._days = bucket, days
        self.until = self.now.replace(microsecond=0) + timedelta(days=days) if days else None

    @property
    def until_text(self) -> str:
        """The end of a new lock as it is noted; "" for none."""
        return clocks.rfc3339(self.until) if self.until else ""

    def lengthen(self, key: str, version: str) -> str:
        """Lock a version as long as a new one; one that is locked for longer stays so.

        Returns:
            Until when it is locked, as it is noted; "" for no lock.

        Raises:
            RefusedError: the server does not do that with this one.
            LinkError: it is not there, or the server cannot be asked.
        """
        if self.until is None:
            return ""
        try:
            self._bucket.extend(key, version, self.until)
        except RefusedError:
            # By another keeper with more days, by these notes before they were lost.
            with suppress(RefusedError):
                found = self._bucket.retention(key, version)
                if found is not None and found > self.until:
                    return clocks.rfc3339(found)
            raise
        return self.until_text

    def check(self, key: str, version: str) -> None:
        """Check that the server has locked a version as it was told.

        Raises:
            LinkError: it has not.
        """
        if self.until is None:
            return
        found = self._bucket.locked(key, version).until
        if found is None or found < self.until - timedelta(seconds=2):
            raise LinkError(
                f"{self._bucket.address}: {key} is not locked until {self.until_text}, but "
                f"{found or 'not at all'}",
                hint="this server does not keep what it promised; `holdstill offsite setup` tries "
                "it again",
            )

    def is_due(self, until: str) -> bool:
        """Return whether a lock that ends then is to be lengthened, if what it locks is needed.

        At half of its time: so a pack is asked about once in that time, not every night.
        """
        if self.until is None:
            return False
        return not until or self.is_due_at(_parsed(until))

    def is_due_at(self, until: datetime) -> bool:
        """Return the same of a moment."""
        return until < self.now + timedelta(days=self._days) / 2

    def is_time(self, until: str) -> bool:
        """Return whether to decide about something: its lock is due, or nothing is locked."""
        return self.until is None or self.is_due(until)

    def is_over(self, until: str) -> bool:
        """Return whether a lock has ended, for sure."""
        return not until or _parsed(until) < self.now - SKEW


def _parsed(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)
