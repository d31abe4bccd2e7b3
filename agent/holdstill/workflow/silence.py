"""Finds boards that have fallen silent: a dead board cannot report that itself."""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from holdstill.errors import HoldstillError
from holdstill.keeper import enrolment
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model.layout import Record
from holdstill.model.nightly_state import Message, MessageKind
from holdstill.notify import messages
from holdstill.notify.metrics import Family
from holdstill.system import clocks, files

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.settings import WatchSettings
    from holdstill.notify.notifier import Recipients
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner

NAME = "watch.json"
_DAY = 86_400.0


class BoardSilence(Record, frozen=True, kw_only=True):
    """One board at the keeper.

    Attributes:
        newest: its newest good capture, "" for none.
        since: when that arrived, or when the board was enrolled, by the keeper's clock.
        captures: how many it has.
        days: since then; limit: how many are too many.
        trouble: why its captures cannot be trusted, "" if they can.
    """

    board: str
    newest: str = ""
    since: str = ""
    captures: int = 0
    days: float = 0.0
    limit: int = 0
    trouble: str = ""

    @property
    def is_silent(self) -> bool:
        """Whether the board is silent."""
        return bool(self.trouble) or self.days >= self.limit

    @property
    def sentence(self) -> str:
        """Describe it in one sentence."""
        if self.trouble:
            return f"{self.board}: {self.trouble}"
        if self.newest and not self.is_silent:
            return f"{self.board}: the last good capture is {self.newest}, {self._age} old"
        last = f"the last is {self.newest}" if self.newest else "there was none yet"
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
            return msgspec.json.decode((self.directory / NAME).read_bytes(), type=SilenceState)
        except (FileNotFoundError, msgspec.MsgspecError):
            return SilenceState()

    def save(self, watch: SilenceState) -> None:
        """Write it down."""
        files.publish(self.directory / NAME, msgspec.json.encode(watch))


def find_silent(
    store: Store, settings: WatchSettings, *, clock: Clock, runner: Runner
) -> tuple[BoardSilence, ...]:
    """Return for each enrolled board how long it has been silent. Changes nothing."""
    now = clock.now()
    return tuple(
        _look_at(
            store, board, settings.silent_days_of.get(board, settings.silent_days), now, runner
        )
        for board in store.boards()
    )


def _look_at(
    store: Store, board: BoardName, limit: int, now: datetime, runner: Runner
) -> BoardSilence:
    try:
        shelf = BoardCaptures(store, board, runner)
        newest = shelf.newest_good()
        since = newest.arrived_at if newest else enrolment.read(store, board).keys[0].added_at
        with shelf.ledger_file.held_for_reading() as ledger:
            captures = len(ledger.sealed) - len(ledger.thinned)
    except (HoldstillError, OSError) as error:
        return BoardSilence(board=board, limit=limit, trouble=f"it cannot be judged: {error}")
    return BoardSilence(
        board=board,
        newest=newest.name if newest else "",
        since=since,
        captures=captures,
        days=max(0.0, (now - datetime.fromisoformat(since)).total_seconds() / _DAY),
        limit=limit,
    )


def queue_messages(
    watch: SilenceState, states: Sequence[BoardSilence], people: Recipients, *, at: str
) -> SilenceState:
    """Return what to remember, with letters about boards whose state has changed.

    A silent board is reported once, and once when it is back; all of them in one message.
    """
    silent = [state for state in states if state.is_silent and state.board not in watch.told]
    back = [state for state in states if not state.is_silent and state.board in watch.told]
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


def metrics(states: Sequence[BoardSilence]) -> tuple[Family, ...]:
    """Return the numbers for machines."""
    since = {
        state.board: datetime.fromisoformat(state.since).timestamp()
        for state in states
        if state.newest
    }
    return (
        Family("holdstill_keeper_captures", "Captures kept.", _each(states, "captures")),
        Family("holdstill_keeper_last_capture_timestamp_seconds", "When it arrived.", since),
        Family("holdstill_keeper_silent", "1 for silent boards.", _each(states, "is_silent")),
    )


def _each(states: Sequence[BoardSilence], name: str) -> dict[str, float]:
    return {state.board: float(getattr(state, name)) for state in states}
