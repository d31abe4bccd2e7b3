"""What the keeper's page shows of a store: read without holding up anybody, and remembered.

A board is judged as `keeper watch` judges it. That reads every manifest, so it is done again only
when the board's ledger, enrolment, captures or newest documents have changed, and else every ten
minutes: what was altered in an older capture shows on the overview within that time, and at once
on the board's own page.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta
from threading import Lock
from typing import TYPE_CHECKING, NamedTuple

from holdstill.board import card_history
from holdstill.board.card_history import History
from holdstill.board.health_report import LIFE_EXCEEDED, LIFE_NEAR_END, Urgency
from holdstill.keeper import board_captures
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names, sizes
from holdstill.page.board_row import BoardRow, CardState
from holdstill.page.keeper_view import BoardHistory, Overview, Room
from holdstill.records.signature_memo import SignatureMemo
from holdstill.schedule import due_nights
from holdstill.workflow import each_board, silence, store_state

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from holdstill.board.card_history import Trend
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief
    from holdstill.model.settings import KeeperSettings
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.workflow.silence import BoardSilence

OVER_DAYS = 28
"""Days over which it is counted what captures add to the store."""
_AGAIN = 600.0
"""Seconds after which a board is judged again although nothing seems to have changed."""
_DAY = 86_400.0


class _Stamps(NamedTuple):
    """What changes when a board does: inode, size, times of its documents."""

    of_files: tuple[tuple[int, int, int, int] | None, ...]


@dataclass(frozen=True)
class _Known:
    """What was found of a board.

    Attributes:
        until: by the clock that is never set.
        arrived: bytes that its captures have added, by day (YYYY-MM-DD).
        card: what its captures tell of the card; None for nothing.
    """

    stamps: _Stamps
    until: float
    found: BoardSilence
    newest: CaptureBrief | None
    arrived: Mapping[str, int]
    card: Trend | None


class KeeperPage:
    """A store, as its page shows it. Several threads may ask at once."""

    def __init__(
        self, store: Store, settings: KeeperSettings, *, clock: Clock, runner: Runner
    ) -> None:
        self._store, self._settings = store, settings
        self._clock, self._runner = clock, runner
        self._verify, self._lock = SignatureMemo(), Lock()
        self._known: dict[BoardName, _Known] = {}

    def overview(self) -> Overview:
        """Return all boards."""
        now = self._clock.now()
        found = each_board.do(self._store, None, self._looked)
        broken = (
            BoardRow(name=each.board, trouble=each.problem, hint=each.hint)
            for each in found.troubles
        )
        rows = (_row(known, now) for known in found.results.values())
        return Overview(
            boards=(*rows, *broken),
            room=self._room(tuple(found.results.values()), now),
            troubles=store_state.troubles(self._store, self._settings, is_shut_off=True),
            now=now,
        )

    def board(self, name: str) -> BoardHistory:
        """Return one board.

        Raises:
            UsageError: there is none of this name.
            HoldstillError, OSError: it cannot be read.
        """
        now = self._clock.now()
        found = each_board.do(self._store, names.check_board(name), self._looked)
        for each in found.troubles:
            row = BoardRow(name=each.board, trouble=each.problem, hint=each.hint)
            return BoardHistory(row, (), now)
        (board,) = found.results
        return BoardHistory(_row(found.results[board], now), self._captures(board).briefs(), now)

    def _captures(self, board: BoardName) -> BoardCaptures:
        return BoardCaptures(
            self._store, board, self._runner, verify=self._verify, is_waiting=False
        )

    def _looked(self, board: BoardName) -> _Known:
        """Return what is known of a board, if nothing has changed since; else look at it."""
        known = self._known.get(board)
        folder, seconds = self._store.board_folder(board), self._clock.monotonic()
        stamps = _stamps(folder, known.newest if known else None)
        if known is not None and known.stamps == stamps and seconds < known.until:
            return known
        captures = self._captures(board)
        limit = silence.limit_of(board, self._settings)
        found = silence.look_at_board(captures, limit, self._clock.now())
        newest = captures.newest()[0]
        with captures.ledger_file.held_for_reading() as ledger:
            briefs = [event.brief for event in ledger.sealed]
        fresh = _Known(
            stamps=_stamps(folder, newest),
            until=seconds + _AGAIN,
            found=found,
            newest=newest,
            arrived=_arrived(briefs),
            card=_trend(briefs),
        )
        with self._lock:
            self._known[board] = fresh
        return fresh

    def _room(self, known: Sequence[_Known], now: datetime) -> Room:
        state = os.statvfs(self._store.root)
        since = f"{now - timedelta(days=OVER_DAYS):%Y-%m-%d}"
        added = sum(count for each in known for day, count in each.arrived.items() if day > since)
        return Room(
            total=state.f_blocks * state.f_frsize,
            free=state.f_bavail * state.f_frsize,
            reserved=self._settings.min_free,
            daily=added / OVER_DAYS,
            over_days=OVER_DAYS,
        )


def _stamps(folder: Path, newest: CaptureBrief | None) -> _Stamps:
    """Return the stamps of a board's documents, and of its newest good capture."""
    paths = [folder / "ledger.jsonl", folder / "enrolment.yaml", folder / "captures"]
    if newest is not None:
        capture = folder / "captures" / newest.name
        paths += [capture / board_captures.MANIFEST, capture / board_captures.SIGNATURE]
    return _Stamps(tuple(map(_stamp, paths)))


def _stamp(path: Path) -> tuple[int, int, int, int] | None:
    try:
        found = path.lstat()
    except OSError:
        return None
    return found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


def _arrived(briefs: Sequence[CaptureBrief]) -> Mapping[str, int]:
    """Return the bytes that captures have added, by day."""
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


def _card(known: _Known) -> tuple[CardState, str]:
    """Return how a card is doing, and what that is judged by."""
    trend, newest = known.card, known.newest
    if trend is None:
        return CardState.UNKNOWN, ""
    last = newest.card if newest else None
    errors = (last.kernel_errors + last.ext4_errors) if last else 0
    said = f"; {sizes.counted(errors, 'complaint')} noted" if errors else ""
    life = last.life if last else 0
    is_failing = any(advice.urgency is not Urgency.NOTE for advice in trend.advice)
    if is_failing or errors or life >= LIFE_EXCEEDED:
        return CardState.FAILING, trend.words + said
    if trend.advice or life >= LIFE_NEAR_END:
        return CardState.AGEING, trend.words
    return CardState.GOOD, trend.words


def _row(known: _Known, now: datetime) -> BoardRow:
    found = known.found
    since = due_nights.moment(found.since)
    incomplete = (found.incomplete,) if found.incomplete else ()
    lacks = tuple(f"a card would not boot: {lack}" for lack in found.boot_lacks)
    card, card_words = _card(known)
    return BoardRow(
        name=found.board,
        newest=known.newest,
        captures=found.captures,
        days=max(0.0, (now - since).total_seconds() / _DAY) if since else 0.0,
        limit=found.limit,
        trouble=found.trouble.problem if found.trouble else "",
        hint=found.trouble.hint if found.trouble else "",
        lacks=(*lacks, *incomplete),
        card=card,
        card_words=card_words,
        is_retired=found.is_retired,
    )
