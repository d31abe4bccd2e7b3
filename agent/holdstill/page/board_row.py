"""What the page knows of one board, and how it is judged at a glance. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.model.boot import BootVerdict

if TYPE_CHECKING:
    from holdstill.model.protocol import CaptureBrief


class BoardState(StrEnum):
    """How a board is doing, the worst first."""

    TROUBLE = "in trouble"
    """Something is wrong with its captures, or nobody can tell."""
    SILENT = "silent"
    """It has brought no good capture for too long."""
    LOOK = "needs a look"
    """Its newest capture would not boot, or lacks something, or its card is failing."""
    UNKNOWN = "not looked at yet"
    GOOD = "good"
    RETIRED = "retired"
    """Its key is withdrawn: nothing is expected of it."""


class CardState(StrEnum):
    """How a board's card is doing, by what captures have told of it; the worst first."""

    FAILING = "failing"
    AGEING = "ageing"
    UNKNOWN = "not known"
    GOOD = "good"


@dataclass(frozen=True)
class BoardRow:
    """One board.

    Attributes:
        newest: its newest good capture.
        captures: how many it has.
        days: since that capture arrived, or since the board was enrolled; limit: how many are
            too many.
        trouble, hint: what is wrong with its captures, or why nobody can tell, and what to do.
        lacks: what somebody has to look at, in sentences.
        card, card_words: how its card is doing, and what that is judged by.
        is_retired: whether its key is withdrawn.
        is_unknown: whether nobody has looked at it since the page began.
    """

    name: str
    newest: CaptureBrief | None = None
    captures: int = 0
    days: float = 0.0
    limit: int = 0
    trouble: str = ""
    hint: str = ""
    lacks: tuple[str, ...] = ()
    card: CardState = CardState.UNKNOWN
    card_words: str = ""
    is_retired: bool = False
    is_unknown: bool = False

    @property
    def state(self) -> BoardState:
        """How the board is doing."""
        if self.trouble:
            return BoardState.TROUBLE
        if self.is_unknown:
            return BoardState.UNKNOWN
        if self.is_retired:
            return BoardState.RETIRED
        if self.days >= self.limit:
            return BoardState.SILENT
        is_broken = self.boot is not None and self.boot is BootVerdict.BROKEN
        if self.lacks or is_broken or self.card is CardState.FAILING:
            return BoardState.LOOK
        return BoardState.GOOD

    @property
    def boot(self) -> BootVerdict | None:
        """Whether a card made of its newest capture would boot; None before that was judged."""
        return self.newest.boot.verdict if self.newest and self.newest.boot else None

    @property
    def size(self) -> int:
        """Bytes of the files in its newest capture."""
        return self.newest.content_bytes if self.newest else 0

    @property
    def grade(self) -> str:
        """The grade of its newest capture, "" for none."""
        return self.newest.grade if self.newest else ""

    @property
    def verified_at(self) -> str:
        """Since when no content of its newest capture was left unread (RFC 3339), or ""."""
        return self.newest.verified_at if self.newest else ""

    @property
    def booted_at(self) -> str:
        """When its newest capture booted in a rehearsal (RFC 3339), or ""."""
        return self.newest.booted_at if self.newest else ""
