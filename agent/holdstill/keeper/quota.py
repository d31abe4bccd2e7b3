"""How much a board has brought since its last capture, and how much it may.

What counts is what became new in the store, and what grows in the staging. Abandoning a run
does not give anything back: only a sealed capture does.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import PreflightError
from holdstill.keeper import incoming
from holdstill.model import sizes

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.enrolment import Enrolment
    from holdstill.keeper.incoming import Staging
    from holdstill.keeper.store import Store

UNLIMITED = 1 << 62


@dataclass(frozen=True)
class Quota:
    """One board's allowance."""

    store: Store
    enrolled: Enrolment

    @property
    def limit(self) -> int:
        """Bytes between two captures."""
        return self.enrolled.limits.bytes_per_run or UNLIMITED

    @property
    def _path(self) -> Path:
        return self.store.root / "boards" / self.enrolled.board / "brought"

    def brought(self) -> int:
        """Return the bytes that the board has brought since its last capture."""
        try:
            return int(self._path.read_bytes())
        except (FileNotFoundError, ValueError):
            return 0

    def add(self, count: int) -> None:
        """Note that more was brought."""
        if self.limit != UNLIMITED and count:
            self.store.disk.publish(self._path, b"%d" % (self.brought() + count))

    def reset(self) -> None:
        """Start again: a capture was sealed."""
        if self._path.exists():
            self.store.disk.unlink(self._path)

    def check(self, wanted: int) -> None:
        """Refuse more than the board may bring.

        Raises:
            PreflightError: with the numbers.
        """
        left = self.limit - self.brought()
        if wanted > left:
            raise PreflightError(
                f"board {self.enrolled.board} may bring {sizes.human(self.limit)} a run; "
                f"{sizes.human(max(0, left))} are left, and {sizes.human(wanted)} would come",
                hint="raise bytes_per_run in the board's enrolment.yaml at the keeper, if this "
                "much is to be expected",
            )


class ArrivalMonitor:
    """Watches one transfer: what it may still add, and what must stay free."""

    def __init__(self, quota: Quota, staging: Staging, *, min_free: int) -> None:
        self._quota, self._staging, self._min_free = quota, staging, min_free
        self._left = quota.limit - quota.brought()
        self._before = self._size()

    def complaint(self) -> str:
        """Return why the transfer must end, "" while it may go on."""
        free, _ = self._quota.store.free()
        if free < self._min_free // 2:
            return "the disk is nearly full"
        if self._size() - self._before > self._left:
            return f"more than the {sizes.human(self._quota.limit)} that the board may bring a run"
        return ""

    def _size(self) -> int:
        if self._quota.limit == UNLIMITED:
            return 0
        return incoming.arrived_size(self._staging)
