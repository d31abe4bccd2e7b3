"""Finds boards that have fallen silent: a dead board cannot report that itself."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import DegradedError, VerificationError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.store import WATCHED
from holdstill.model.finding import counted
from holdstill.model.layout import Record
from holdstill.model.nightly_state import Message, MessageKind
from holdstill.notify import messages
from holdstill.notify.metrics import Family
from holdstill.schedule import due_nights
from holdstill.system import clocks, files
from holdstill.workflow import each_board

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.errors import HoldstillError
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.settings import WatchSettings
    from holdstill.notify.notifier import Recipients
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner

_DAY = 86_400.0
_CLOCK_STEP = timedelta(hours=1)
"""So much a clock may be put back without a word."""


class BoardSilence(Record, frozen=True, kw_only=True):
    """One board at the keeper.

    Attributes:
        newest: its newest good capture, "" for none.
        since: when that arrived, or when the board was enrolled, by the keeper's clock.
        captures: how many it has.
        days: since then; limit: how many are too many.
        trouble: what is wrong with its captures, or why nobody can tell; None for nothing.
        incomplete: how many findings the newest has that somebody has to look at, in words.
        is_retired: whether its keys are withdrawn, so that nothing is expected of it.
    """

    board: str
    newest: str = ""
    since: str = ""
    captures: int = 0
    days: float = 0.0
    limit: int = 0
    trouble: each_board.BoardTrouble | None = None
    incomplete: str = ""
    is_retired: bool = False

    @property
    def is_silent(self) -> bool:
        """Whether the board is silent, or nobody can tell."""
        is_late = self.days >= self.limit and not self.is_retired
        return self.trouble is not None or is_late

    @property
    def exit_code(self) -> int:
        """The exit code of this board alone."""
        if self.trouble:
            return self.trouble.exit_code
        return DegradedError.exit_code if self.is_silent or self.incomplete else 0

    @property
    def sentence(self) -> str:
        """Describe it in one sentence."""
        if self.trouble:
            why = f"{self.trouble.problem}; what to do: {self.trouble.hint}"
            return f"{self.board}: {why}"
        last = f"the last is {self.newest}" if self.newest else "there was none yet"
        if self.is_retired:
            return f"{self.board}: its key is withdrawn, no capture is expected; {last}"
        if self.newest and not self.is_silent:
            said = f" ({self.incomplete}; see `holdstill show`)" if self.incomplete else ""
            return f"{self.board}: the last good capture is {self.newest}, {self._age} old{said}"
        return f"{self.board}: no good capture for {self.days:.1f} days; {last}"

    @property
    def _age(self) -> str:
        hours = self.days * 24
        return f"{self.days:.1f} days" if hours >= 48 else f"{hours:.0f} hours"


class SilenceState(Record, frozen=True, kw_only=True):
    """The keeper's state: boards reported as silent, and undelivered messages."""

    told: tuple[str, ...] = ()
    outbox: tuple[Message, ...] = ()


@dataclass(frozen=True)
class SilenceStateFile:
    """Where it is remembered, in the store's directory."""

    directory: Path

    def load(self) -> SilenceState:
        """Return what was written last, or nothing."""
        try:
            return msgspec.json.decode(
                files.read_regular(self.directory / WATCHED), type=SilenceState
            )
        except (OSError, msgspec.MsgspecError):  # something else is in its place, say
            return SilenceState()

    def save(self, watch: SilenceState) -> None:
        """Write it down."""
        files.publish(self.directory / WATCHED, msgspec.json.encode(watch))


def find_silent(
    store: Store, settings: WatchSettings, *, clock: Clock, runner: Runner
) -> tuple[BoardSilence, ...]:
    """Return for each board how long it has been silent. Changes nothing."""
    now = clock.now()

    def look(board: BoardName) -> BoardSilence:
        limit = settings.silent_days_of.get(board, settings.silent_days)
        return _look_at(BoardCaptures(store, board, runner), limit, now)

    found = each_board.do(store, None, look)
    unknown = (BoardSilence(board=each.board, trouble=each) for each in found.troubles)
    return tuple(sorted((*found.results.values(), *unknown), key=lambda state: state.board))


def exit_code(states: Sequence[BoardSilence]) -> int:
    """Return the worst exit code of all boards."""
    return max((state.exit_code for state in states), default=0)


def _look_at(shelf: BoardCaptures, limit: int, now: datetime) -> BoardSilence:
    shelf.check_whole()
    newest = shelf.newest_good()
    with shelf.ledger_file.held_for_reading() as ledger:
        captures = len(ledger.sealed) - len(ledger.thinned)
    enrolled_at = [key.added_at for key in shelf.enrolled.keys] or [""]
    since = newest.arrived_at if newest else enrolled_at[0]
    return BoardSilence(
        board=shelf.board,
        newest=newest.name if newest else "",
        since=since,
        captures=captures,
        days=max(0.0, (now - _past_moment(since, shelf, now)).total_seconds() / _DAY),
        limit=limit,
        incomplete=counted(newest.missing, newest.not_rebuildable, 0) if newest else "",
        is_retired=not shelf.enrolled.live_keys,
    )


def _past_moment(since: str, shelf: BoardCaptures, now: datetime) -> datetime:
    """Return a moment that the keeper wrote down, if it can have been.

    Raises:
        VerificationError: it is none.
        DegradedError: it is still to come: how long ago it was cannot be told.
    """
    moment = _moment(since, shelf)
    if moment - now > _CLOCK_STEP:
        raise DegradedError(
            f"its last capture arrived, or it was enrolled, at {since}, and here it is "
            f"{clocks.rfc3339(now)}: the clock of this keeper was wrong then, or is now",
            hint="set the clock (`timedatectl` shows it); if it is right now, the board's next "
            "capture puts this right",
        )
    return moment


def _moment(since: str, shelf: BoardCaptures) -> datetime:
    """Return a moment that the keeper wrote down.

    Raises:
        VerificationError: it is none.
    """
    moment = due_nights.moment(since)
    if moment is None:
        raise VerificationError(
            f"{shelf.folder.parent}: {since!r}, when its last capture arrived or it was enrolled, "
            "is no moment",
            hint="mend enrolment.yaml there; a date in the ledger comes right with the next "
            "capture",
        )
    return moment


def queue_messages(
    watch: SilenceState, states: Sequence[BoardSilence], people: Recipients, *, at: str
) -> SilenceState:
    """Return what to remember, with letters about boards whose state has changed.

    A silent board is reported once, and once when it is back; all of them in one message.
    """
    silent = [state for state in states if state.is_silent and state.board not in watch.told]
    back = [
        state
        for state in states
        if state.board in watch.told and not state.is_silent and not state.is_retired
    ]
    keeper = os.uname().nodename
    outbox = watch.outbox
    for kind, lines in (
        (MessageKind.SILENCE, [state.sentence for state in silent]),
        (
            MessageKind.RECOVERY,
            [f"{state.board}: captured again, {state.newest}" for state in back],
        ),
    ):
        if lines:
            letter = messages.about_boards(kind, keeper, lines, at=at)
            outbox = messages.posted(outbox, letter, people.names())
    told = tuple(state.board for state in states if state.is_silent)
    return SilenceState(told=told, outbox=outbox)


def watch(
    store: Store, settings: WatchSettings, people: Recipients, *, clock: Clock, runner: Runner
) -> tuple[BoardSilence, ...]:
    """Check all boards, send messages about what is new, and return the boards' states."""
    file = SilenceStateFile(store.root)
    states = find_silent(store, settings, clock=clock, runner=runner)
    before = file.load()
    after = queue_messages(before, states, people, at=clocks.rfc3339(clock.now()))
    if after != before:
        file.save(after)  # before it is sent: reported at most once
    left = after.outbox
    for letter in after.outbox:
        left = messages.delivered(left, letter, people.send(letter), people.names())
    if left != after.outbox:
        file.save(msgspec.structs.replace(after, outbox=left))
    return states


def tell_of_store(
    root: Path, error: HoldstillError, people: Recipients, *, clock: Clock
) -> tuple[str, ...]:
    """Tell people that no board can be looked at: all of them are silent at once.

    Nothing is remembered, for that would be in the store.

    Returns:
        Why people may not have been told, in sentences.
    """
    at, keeper = clocks.rfc3339(clock.now()), os.uname().nodename
    letter = messages.about_store(keeper, str(root), str(error), error.hint, at=at)
    try:
        to = people.names()
        missed = len(to) - len(people.send(msgspec.structs.replace(letter, to=to)))
    except (OSError, UnicodeDecodeError):
        missed = 0  # the complaint is about just that
    unreached = f"{missed} of those who are to be told could not be reached" if missed else ""
    return tuple(text for text in (unreached, people.complaint()) if text)


def alarm_troubles(store: Store, people: Recipients) -> tuple[str, ...]:
    """Return why people may not have been told, in sentences."""
    waiting = messages.undelivered(len(SilenceStateFile(store.root).load().outbox))
    return tuple(text for text in (waiting, people.complaint()) if text)


def metrics(states: Sequence[BoardSilence]) -> tuple[Family, ...]:
    """Return the numbers for machines; of a board that cannot be judged, just that."""
    since = {
        state.board: datetime.fromisoformat(state.since).timestamp()
        for state in states
        if state.newest
    }
    known = [state for state in states if state.trouble is None]
    unknown = {state.board: float(state.trouble is not None) for state in states}
    return (
        Family("holdstill_keeper_captures", "Captures kept.", _each(known, "captures")),
        Family("holdstill_keeper_last_capture_timestamp_seconds", "When it arrived.", since),
        Family("holdstill_keeper_silent", "1 for silent boards.", _each(states, "is_silent")),
        Family("holdstill_keeper_unreadable", "1 for boards that cannot be judged.", unknown),
    )


def _each(states: Sequence[BoardSilence], name: str) -> dict[str, float]:
    return {state.board: float(getattr(state, name)) for state in states}
