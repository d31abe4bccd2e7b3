"""What the page asks of a keeper, and what it gets: the Protocol, and plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from datetime import datetime

    from holdstill.model.protocol import CaptureBrief
    from holdstill.page.board_row import BoardRow


@dataclass(frozen=True)
class Room:
    """The room of the store's disk.

    Attributes:
        total, free: bytes; free is what an ordinary user may use.
        reserved: bytes of it that no board may take.
        daily: bytes that captures have added in a day lately; over_days: in how many days.
    """

    total: int
    free: int
    reserved: int
    daily: float
    over_days: int

    @property
    def left(self) -> int:
        """Bytes that boards may still take."""
        return max(0, self.free - self.reserved)

    @property
    def days_left(self) -> float | None:
        """In how many days it is full at that rate, if nothing is thinned; None if it is not."""
        return self.left / self.daily if self.daily > 0 else None


@dataclass(frozen=True)
class Overview:
    """All boards of a store, and the store.

    Attributes:
        troubles: what is wrong with the store as a whole, in sentences.
    """

    boards: tuple[BoardRow, ...]
    room: Room
    troubles: tuple[str, ...]
    now: datetime


@dataclass(frozen=True)
class BoardHistory:
    """One board with all its captures, the oldest first, each with what is wrong with it."""

    row: BoardRow
    captures: tuple[CaptureBrief, ...]
    now: datetime


class KeeperView(Protocol):
    """A store, for looking at. Several threads ask at once."""

    def overview(self) -> Overview:
        """Return all boards.

        Raises:
            OSError: the store cannot be read.
        """

    def board(self, name: str) -> BoardHistory:
        """Return one board.

        Raises:
            UsageError: there is none of this name.
            HoldstillError, OSError: it cannot be read.
        """
