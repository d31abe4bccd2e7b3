"""What the keeper's page knows of one board: what `keeper watch` finds, and what captures tell."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import card_history
from holdstill.board.card_history import History
from holdstill.board.health_report import LIFE_EXCEEDED, LIFE_NEAR_END, Urgency
from holdstill.keeper.board_captures import MANIFEST, SIGNATURE
from holdstill.model import sizes
from holdstill.page.board_row import BoardRow, CardState
from holdstill.schedule import due_nights
from holdstill.workflow import silence

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from holdstill.board.card_history import Trend
    from holdstill.keeper.board_captures import BoardCaptures
    from holdstill.model.protocol import CaptureBrief
    from holdstill.workflow.silence import BoardSilence

_DAY = 86_400.0
Stamps = tuple[tuple[int, int, int, int] | None, ...]
"""Inode, size and times of documents, which change when they do; None for one that is gone."""


@dataclass(frozen=True)
class BoardGlance:
    """What was found of a board.

    Attributes:
        newest: its newest good capture.
        arrived: bytes that its captures have added, by day (YYYY-MM-DD).
        card: what its captures tell of the card; None for nothing.
    """

    found: BoardSilence
    newest: CaptureBrief | None
    arrived: Mapping[str, int]
    card: Trend | None

    def row(self, now: datetime) -> BoardRow:
        """Return it as the page shows it."""
        found, since = self.found, due_nights.moment(self.found.since)
        lacks = tuple(f"a card would not boot: {lack}" for lack in found.boot_lacks)
        card, card_words = self._card()
        return BoardRow(
            name=found.board,
            newest=self.newest,
            captures=found.captures,
            days=max(0.0, (now - since).total_seconds() / _DAY) if since else 0.0,
            limit=found.limit,
            trouble=found.trouble.problem if found.trouble else "",
            hint=found.trouble.hint if found.trouble else "",
            lacks=(*lacks, *filter(None, (found.incomplete,))),
            card=card,
            card_words=card_words,
            is_retired=found.is_retired,
        )

    def _card(self) -> tuple[CardState, str]:
        """Return how the card is doing, and what that is judged by."""
        if self.card is None:
            return CardState.UNKNOWN, ""
        last = self.newest.card if self.newest else None
        errors = (last.kernel_errors + last.ext4_errors) if last else 0
        said = f"; {sizes.counted(errors, 'complaint')} noted" if errors else ""
        life = last.life if last else 0
        is_failing = any(advice.urgency is not Urgency.NOTE for advice in self.card.advice)
        if is_failing or errors or life >= LIFE_EXCEEDED:
            return CardState.FAILING, self.card.words + said
        is_ageing = bool(self.card.advice) or life >= LIFE_NEAR_END
        return CardState.AGEING if is_ageing else CardState.GOOD, self.card.words


def glance(captures: BoardCaptures, limit: int, now: datetime) -> BoardGlance:
    """Look at a board; that reads all of its manifests.

    Raises:
        HoldstillError, OSError: nobody can tell how it is doing.
    """
    found = silence.look_at_board(captures, limit, now)
    with captures.ledger_file.held_for_reading() as ledger:
        briefs = [event.brief for event in ledger.sealed]
    return BoardGlance(found, captures.newest_good(), _arrived(briefs), _trend(briefs))


def stamps(folder: Path, newest: CaptureBrief | None) -> Stamps:
    """Return the stamps of a board's documents, and of its newest good capture."""
    paths = [folder / "ledger.jsonl", folder / "enrolment.yaml", folder / "captures"]
    if newest is not None:
        capture = folder / "captures" / newest.name
        paths += [capture / MANIFEST, capture / SIGNATURE]
    return tuple(map(_stamp, paths))


def _stamp(path: Path) -> tuple[int, int, int, int] | None:
    try:
        found = path.lstat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def _arrived(briefs: Sequence[CaptureBrief]) -> Mapping[str, int]:
    by_day = Counter[str]()
    for brief in briefs:
        by_day[brief.arrived_at[:10]] += brief.new_bytes
    return by_day


def _trend(briefs: Sequence[CaptureBrief]) -> Trend | None:
    """Judge the card that is in the board now, as the board itself does."""
    history = History()
    for brief in briefs:
        reading = brief.card
        if reading is not None and not card_history.is_noted(history, reading.card, reading.at):
            history = card_history.added(history, reading)
    return card_history.judge(history) if history.readings else None
