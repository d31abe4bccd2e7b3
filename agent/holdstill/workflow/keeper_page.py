"""What the keeper's page shows of a store: read without holding up anybody, and remembered.

A board is judged as `keeper watch` judges it. That reads every manifest, so it is done again only
when the board's ledger, enrolment, captures or newest documents have changed, and else every ten
minutes or somewhat later: what was altered in an older capture shows on the overview by then, and
at once on the board's own page. An answer takes a moment for what has changed, and leaves the rest
to the next one, or to `look_at_all`, which a thread does again and again.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import date, timedelta
from threading import Lock
from typing import TYPE_CHECKING, TypeVar

from holdstill.errors import HoldstillError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.page.board_row import BoardRow
from holdstill.page.keeper_view import BoardHistory, Overview, Room
from holdstill.records.signature_memo import SignatureMemo
from holdstill.workflow import board_glance, each_board, silence, store_state

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.settings import KeeperSettings
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.workflow.board_glance import BoardGlance, Stamps
    from holdstill.workflow.each_board import EachBoard

T = TypeVar("T")
OVER_DAYS = 28
"""Days over which it is counted what captures add to the store."""
AGAIN = 600.0
"""Seconds after which a board is judged again although nothing seems to have changed."""
_AT_ONCE = 0.1
"""Seconds that an answer takes for boards that have changed."""
_REST = 10.0
"""Seconds from one look at all to the next."""


@dataclass(frozen=True)
class _Known:
    """What is known of a board: a glance, or why it could not be looked at.

    Attributes:
        until: by the clock that is never set.
    """

    stamps: Stamps
    until: float
    glance: BoardGlance | None
    error: HoldstillError | OSError | None = None


class KeeperPage:
    """A store, as its page shows it. Several threads may ask at once."""

    def __init__(
        self, store: Store, settings: KeeperSettings, *, clock: Clock, runner: Runner
    ) -> None:
        self._store, self._settings = store, settings
        self._clock, self._runner = clock, runner
        self._verify, self._lock = SignatureMemo(), Lock()
        self._known: dict[BoardName, _Known] = {}
        self._checked: dict[BoardName, Stamps] = {}
        self._troubles: tuple[str, ...] = ()

    def overview(self) -> Overview:
        """Return all boards; those that nobody has looked at yet say so."""
        now, ends = self._clock.now(), self._clock.monotonic() + _AT_ONCE
        found = self._each(None, lambda board: self._glance(board, ends))
        rows = (
            glance.row(now) if glance else BoardRow(name=board, is_unknown=True)
            for board, glance in found.results.items()
        )
        broken = (
            BoardRow(name=each.board, trouble=each.problem, hint=each.hint)
            for each in found.troubles
        )
        return Overview(
            boards=(*rows, *broken),
            room=self._room(filter(None, found.results.values()), now),
            troubles=self._troubles,
            now=now,
        )

    def board(self, name: str) -> BoardHistory:
        """Return one board.

        Raises:
            UsageError: there is none of this name.
            HoldstillError, OSError: it cannot be read.
        """
        now = self._clock.now()
        found = self._each(names.check_board(name), self._looked)
        for each in found.troubles:
            row = BoardRow(name=each.board, trouble=each.problem, hint=each.hint)
            return BoardHistory(row, (), now)
        (board,) = found.results
        briefs = self._captures(board).briefs()
        return BoardHistory(found.results[board].row(now), briefs, now)

    def look_at_all(self) -> None:
        """Look at every board that is due, and at the store as a whole."""
        self._each(None, self._looked)
        self._troubles = store_state.troubles(
            self._store, self._settings, now=self._clock.now(), is_shut_off=True
        )

    def check_signatures(self) -> None:
        """Check the signatures of all captures that are new, so that no page has to wait for it.

        It rests after each board: whatever else this machine does goes before.
        """
        for board, known in tuple(self._known.items()):
            if known.error is None and self._checked.get(board) != known.stamps:
                begun = self._clock.monotonic()
                self._each(board, lambda name: self._captures(name).briefs())
                self._checked[board] = known.stamps
                self._clock.sleep(self._clock.monotonic() - begun)

    def keep_looking(self) -> None:
        """Look at all again and again, for ever; what cannot be read, pages tell."""
        ends = 0.0
        while True:
            if self._clock.monotonic() >= ends:
                ends = self._clock.monotonic() + AGAIN / 2
                self._tried()
            self._clock.sleep(_REST)

    def _tried(self) -> None:
        try:
            self.look_at_all()
            self.check_signatures()
        except (HoldstillError, OSError) as error:
            self._troubles = (str(error),)

    def _each(self, board: BoardName | None, deed: Callable[[BoardName], T]) -> EachBoard[T]:
        return each_board.do(self._store, board, deed, is_waiting=False)

    def _captures(self, board: BoardName) -> BoardCaptures:
        return BoardCaptures(
            self._store, board, self._runner, verify=self._verify, is_waiting=False
        )

    def _glance(self, board: BoardName, ends: float) -> BoardGlance | None:
        """Return what is known of a board; looks at it only before this moment."""
        known = self._known.get(board)
        if self._clock.monotonic() < ends or (known and self._is_fresh(board, known)):
            return self._looked(board)
        return known.glance if known else None

    def _is_fresh(self, board: BoardName, known: _Known) -> bool:
        return self._clock.monotonic() < known.until and known.stamps == self._stamps(board, known)

    def _stamps(self, board: BoardName, known: _Known | None) -> Stamps:
        newest = known.glance.newest if known and known.glance else None
        return board_glance.stamps(self._store.board_folder(board), newest)

    def _looked(self, board: BoardName) -> BoardGlance:
        """Return what is known of a board, if nothing has changed since; else look at it."""
        known = self._known.get(board)
        if known is None or not self._is_fresh(board, known):
            known = self._look(board)
            with self._lock:
                self._known[board] = known
        if known.error is not None:
            raise known.error.with_traceback(None)  # it would grow from raise to raise
        assert known.glance is not None  # noqa: S101  it is one or the other
        return known.glance

    def _look(self, board: BoardName) -> _Known:
        before, until = self._stamps(board, None), self._clock.monotonic() + AGAIN
        try:
            limit = silence.limit_of(board, self._settings)
            found = board_glance.glance(self._captures(board), limit, self._clock.now())
        except (HoldstillError, OSError) as error:
            return _Known(before, until, None, error)
        known = _Known(before, until, found)
        after = self._stamps(board, known)
        # What changed meanwhile is looked at again.
        return _Known((*before, *after[len(before) :]), until, found)

    def _room(self, known: Iterable[BoardGlance], now: datetime) -> Room:
        state = os.statvfs(self._store.root)
        since = f"{now - timedelta(days=OVER_DAYS):%Y-%m-%d}"
        days = [(day, n) for each in known for day, n in each.arrived.items() if day > since]
        added = sum(count for _, count in days)
        first = min((day for day, _ in days), default=since)
        over = max(1, (now.date() - date.fromisoformat(first)).days)
        return Room(
            total=state.f_blocks * state.f_frsize,
            free=state.f_bavail * state.f_frsize,
            reserved=self._settings.min_free,
            daily=added / over,
            over_days=over,
        )
