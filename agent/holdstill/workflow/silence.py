"""Finds boards that have fallen silent: a dead board cannot report that itself."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import msgspec

from holdstill import errors
from holdstill.errors import (
    DegradedError,
    HoldstillError,
    SecurityError,
    UsageError,
    VerificationError,
)
from holdstill.keeper import account_captures, board_captures, board_memory
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.keeper.store import WATCHED
from holdstill.model import names, sizes
from holdstill.model.boot import BootVerdict
from holdstill.model.finding import counted
from holdstill.model.layout import Record
from holdstill.model.nightly_state import Message, MessageKind
from holdstill.notify import messages
from holdstill.notify.metrics import Family
from holdstill.offsite import run_notes
from holdstill.offsite.run_notes import RunNotes
from holdstill.schedule import due_nights
from holdstill.system import clocks, files
from holdstill.workflow import each_board, store_state

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief
    from holdstill.model.settings import KeeperSettings
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
        whole: the newest of which no content is known to be damaged, either.
        since: when that arrived, or when the board was enrolled, by the keeper's clock.
        captures: how many it has; had_captures: whether it ever had one.
        days: since then; limit: how many are too many.
        trouble: what is wrong with its captures, or why nobody can tell; None for nothing.
        boot_lacks: what a boot lacks of a card made of the newest good capture, where one of an
            earlier one would boot.
        never_boots: the same, where none of an earlier one would, either: no alarm, for a board
            may start in a way that nobody here knows; but no praise.
        incomplete: how many findings the newest has that somebody has to look at, in words.
        is_retired: whether its keys are withdrawn, so that nothing is expected of it.
    """

    board: str
    newest: str = ""
    whole: str = ""
    since: str = ""
    captures: int = 0
    had_captures: bool = False
    days: float = 0.0
    limit: int = 0
    trouble: each_board.BoardTrouble | None = None
    boot_lacks: tuple[str, ...] = ()
    never_boots: tuple[str, ...] = ()
    incomplete: str = ""
    is_retired: bool = False

    @property
    def is_silent(self) -> bool:
        """Whether the board is silent, or nobody can tell."""
        is_late = self.days >= self.limit and not self.is_retired
        return self.trouble is not None or is_late

    @property
    def needs_a_look(self) -> bool:
        """Whether somebody has to do something about it."""
        return self.is_silent or bool(self.boot_lacks or self.incomplete)

    @property
    def exit_code(self) -> int:
        """The exit code of this board alone."""
        if self.trouble:
            return self.trouble.exit_code
        return DegradedError.exit_code if self.needs_a_look else 0

    @property
    def sentence(self) -> str:
        """Describe it in one sentence, with what to do about a trouble."""
        return self.trouble.sentence + self._good if self.trouble else self.problem

    @property
    def problem(self) -> str:
        """Describe it in one sentence."""
        if self.trouble:
            return f"{self.board}: {self.trouble.problem}{self._good}"
        none = "there is none any more" if self.had_captures else "there was none yet"
        last = f"the last is {self.newest}" if self.newest else none
        if self.is_retired:
            return f"{self.board}: its key is withdrawn, no capture is expected; {last}"
        if self.newest and not self.is_silent:
            last = f"{self.board}: the last good capture is {self.newest}, {self.age} old"
            lacks = "; ".join(self.boot_lacks)
            said = f" ({self.incomplete}; see `holdstill show`)" if self.incomplete else ""
            boots = f", and a card made of it would not boot: {lacks}" if lacks else ""
            return last + said + boots
        return f"{self.board}: no good capture for {self.days:.1f} days; {last}"

    @property
    def _good(self) -> str:
        """Name the capture that can be used beside those in trouble."""
        if self.whole:
            age = f", {self.age} old" if self.whole == self.newest else ""
            return f"; the last good capture is {self.whole}{age}"
        return "; there is no whole one" if self.newest else ""

    @property
    def age(self) -> str:
        """How old the newest good capture is, in words."""
        hours = self.days * 24
        if hours < 2:
            return sizes.counted(math.ceil(hours * 60), "minute")
        return f"{self.days:.1f} days" if hours >= 48 else f"{hours:.0f} hours"


class SilenceState(Record, frozen=True, kw_only=True):
    """The keeper's state: what was reported, and undelivered messages.

    Attributes:
        told: boards that were reported as silent.
        is_store_told: whether it was reported that the store itself needs a look.
    """

    told: tuple[str, ...] = ()
    is_store_told: bool = False
    outbox: tuple[Message, ...] = ()


@dataclass(frozen=True)
class SilenceStateFile:
    """Where it is remembered, in the store's directory."""

    directory: Path

    @property
    def path(self) -> Path:
        """The file."""
        return self.directory / WATCHED

    def load(self) -> SilenceState:
        """Return what was written last, or nothing."""
        try:
            return msgspec.json.decode(files.read_regular(self.path), type=SilenceState)
        except (OSError, msgspec.MsgspecError):  # something else is in its place, say
            return SilenceState()

    def save(self, watch: SilenceState) -> None:
        """Write it down."""
        with files.alone_in(self.directory):  # another watch may be at it
            files.publish(self.path, msgspec.json.encode(watch))


class Look(Record, frozen=True, kw_only=True):
    """What a look at a keeper has shown.

    Attributes:
        boards: by name.
        store: what is wrong with the store as a whole, in sentences.
        free_bytes, total_bytes: of its file system; 0 where nobody looked.
        offsite: how its off-site copy was last; None if it has none.
    """

    boards: tuple[BoardSilence, ...]
    store: tuple[str, ...] = ()
    free_bytes: int = 0
    total_bytes: int = 0
    offsite: RunNotes | None = None

    @property
    def exit_code(self) -> int:
        """The worst exit code of all boards and the store."""
        of_store = DegradedError.exit_code if self.store else 0
        return errors.worst((of_store, *(state.exit_code for state in self.boards)))


def look_at(store: Store, settings: KeeperSettings, *, clock: Clock, runner: Runner) -> Look:
    """Look at a store, and for how long each board has been silent. Changes nothing."""
    now = clock.now()

    def look(board: BoardName) -> BoardSilence:
        return look_at_board(BoardCaptures(store, board, runner), limit_of(board, settings), now)

    found = each_board.do(store, None, look)
    unknown = (BoardSilence(board=each.board, trouble=each) for each in found.troubles)
    boards = sorted(
        (*found.results.values(), *unknown), key=lambda each: names.natural(each.board)
    )
    return Look(
        boards=tuple(boards),
        store=store_state.troubles(store, settings, now=now),
        offsite=run_notes.load(store.root),
        free_bytes=store.free()[0],
        total_bytes=store.size(),
    )


def of_group(looked: Look, group: str, settings: KeeperSettings) -> Look:
    """Return what was seen, of the boards of a group alone.

    Raises:
        UsageError: the settings have no such group.
    """
    if group not in settings.groups:
        raise UsageError(
            f"the keeper's settings have no group {group}",
            hint=f"`groups` there has {', '.join(settings.groups) or 'none yet'}",
        )
    members = settings.groups[group]
    boards = tuple(state for state in looked.boards if state.board in members)
    return msgspec.structs.replace(looked, boards=boards)


def limit_of(board: BoardName, settings: KeeperSettings) -> int:
    """Return after how many days without a good capture a board counts as silent."""
    return settings.notify.silent_days_of.get(board, settings.notify.silent_days)


def look_at_board(shelf: BoardCaptures, limit: int, now: datetime) -> BoardSilence:
    """Look at one board, which has so many days; changes nothing.

    Raises:
        HoldstillError, OSError: nobody can tell how it is doing.
    """
    newest, faulty = shelf.newest()
    whole = newest if newest is None or newest.is_whole else shelf.newest_whole()
    with shelf.ledger_file.held_for_reading() as ledger:
        captures = len(ledger.sealed) - len(ledger.thinned)
        might_boot = any(each.verdict is not BootVerdict.BROKEN for each in ledger.boot.values())
        has_booted = bool(ledger.booted_at)
    enrolled_at = [key.added_at for key in shelf.enrolled.keys] or [""]
    since = newest.arrived_at if newest else enrolled_at[0]
    trouble = _trouble(shelf, faulty)
    lacking = newest.boot.lacking if newest and newest.boot else ()
    return BoardSilence(
        board=shelf.board,
        newest=newest.name if newest else "",
        whole=whole.name if whole else "",
        since=since,
        captures=captures,
        had_captures=bool(ledger.sealed),
        days=max(0.0, (now - _past_moment(since, shelf, now)).total_seconds() / _DAY),
        limit=limit,
        trouble=trouble,
        boot_lacks=lacking if might_boot else (),
        never_boots=() if might_boot or has_booted or not shelf.enrolled.live_keys else lacking,
        incomplete=counted(newest.missing, newest.not_rebuildable, 0) if newest else "",
        is_retired=not shelf.enrolled.live_keys,
    )


def _trouble(
    shelf: BoardCaptures, faulty: Sequence[CaptureBrief]
) -> each_board.BoardTrouble | None:
    """Return what is wrong with captures of a board whose newest good one is known."""
    try:
        shelf.check_whole()
        with shelf.ledger_file.held_for_reading() as ledger:
            doubt = board_memory.doubt(ledger)
        unlisted = account_captures.unlisted(shelf.store, shelf.board, is_waiting=shelf.is_waiting)
        if unlisted:
            raise VerificationError(
                f"captures and their lines in the ledger are gone: {'; '.join(unlisted[:3])}",
                hint=board_captures.put_back(shelf.store.root, shelf.board),
            )
        # The newest were judged with their signatures; of the others it is known what was sealed.
        faults = {brief.name: brief.faults[0] for brief in faulty} | shelf.altered()
        if faults:
            number = sizes.counted(len(faults), "capture is", "captures are")
            said = "; ".join(f"{name}: {fault}" for name, fault in sorted(faults.items())[-3:])
            if not any(map(board_captures.is_reproach, faults.values())):
                do = board_captures.what_to_do(shelf.store.root, shelf.board, faults.values())
                raise VerificationError(f"{number} not whole: {said}", hint=do)
            hint = "`holdstill list` shows all; find out who or what altered these"
            if shelf.is_all_unsigned():
                hint = board_captures.keys_to_mend(shelf.store, shelf.board)
            raise SecurityError(f"{number} not as sealed: {said}", hint=hint)
        if doubt:
            raise DegradedError(
                doubt,
                hint="put back from a copy what is lost, if its numbers were not used again; or "
                "give each machine a key of its own. If all is as it should be: `holdstill keeper "
                f"accept {shelf.store.root} {shelf.board} --reason ...`",
            )
    except HoldstillError as error:
        return each_board.trouble(shelf.board, error)
    return None


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
    watch: SilenceState, looked: Look, people: Recipients, *, at: str
) -> SilenceState:
    """Return what to remember, with letters about what has changed.

    A silent board is reported once, and once when it is back; all of them in one message. So is
    a store that needs a look.
    """
    states = looked.boards
    silent = [state for state in states if state.needs_a_look and state.board not in watch.told]
    back = [
        state
        for state in states
        if state.board in watch.told and not state.needs_a_look and not state.is_retired
    ]
    keeper = os.uname().nodename
    outbox = watch.outbox
    for kind, lines in (
        (MessageKind.SILENCE, [state.sentence for state in silent]),
        (MessageKind.RECOVERY, [state.sentence for state in back]),
    ):
        if lines:
            letter = messages.about_boards(kind, keeper, lines, at=at)
            outbox = messages.posted(outbox, letter, people.names())
    if bool(looked.store) != watch.is_store_told:
        letter = messages.about_store(keeper, looked.store, at=at)
        outbox = messages.posted(outbox, letter, people.names())
    told = tuple(state.board for state in states if state.needs_a_look)
    return SilenceState(told=told, is_store_told=bool(looked.store), outbox=outbox)


def watch(
    store: Store, settings: KeeperSettings, people: Recipients, *, clock: Clock, runner: Runner
) -> Look:
    """Look at store and boards, send messages about what is new, and return what was seen."""
    file = SilenceStateFile(store.root)
    looked = look_at(store, settings, clock=clock, runner=runner)
    before = file.load()
    after = queue_messages(before, looked, people, at=clocks.rfc3339(clock.now()))
    try:
        if after != before:
            file.save(after)  # before it is sent: reported at most once
    except OSError as error:  # full, say, or read-only: then at every look
        again = (
            f"{file.path} cannot be written, so that people are told at every look: "
            f"{error.strerror}"
        )
        for letter in after.outbox:
            people.send(letter)
        return msgspec.structs.replace(looked, store=(*looked.store, again))
    left = after.outbox
    for letter in after.outbox:
        left = messages.delivered(left, letter, people.send(letter), people.names())
    if left != after.outbox:
        file.save(msgspec.structs.replace(after, outbox=left))
    return looked


def tell_of_store(
    root: Path, error: HoldstillError, people: Recipients, *, clock: Clock
) -> tuple[str, ...]:
    """Tell people that no board can be looked at: all of them are silent at once.

    Nothing is remembered, for that would be in the store.

    Returns:
        Why people may not have been told, in sentences.
    """
    at, keeper = clocks.rfc3339(clock.now()), os.uname().nodename
    letter = messages.about_lost_store(keeper, str(root), str(error), error.hint, at=at)
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


def metrics(looked: Look) -> tuple[Family, ...]:
    """Return the numbers for machines; of a board that cannot be judged, just that."""
    states = looked.boards
    since = {state.board: _seconds(state.since) for state in states if state.newest}
    known = [state for state in states if state.trouble is None or state.limit]
    unknown = {state.board: float(state.trouble is not None) for state in states}
    return (
        Family("holdstill_keeper_captures", "Captures kept.", _each(known, "captures")),
        Family("holdstill_keeper_last_capture_timestamp_seconds", "When it arrived.", since),
        Family("holdstill_keeper_silent", "1 for silent boards.", _each(states, "is_silent")),
        Family("holdstill_keeper_unreadable", "1 for boards that cannot be judged.", unknown),
        *_of_offsite(looked.offsite),
    )


def _of_offsite(notes: RunNotes | None) -> tuple[Family, ...]:
    """Return the numbers of an off-site copy, if there is one."""
    if notes is None:
        return ()
    arrived = {board: _seconds(at) for board, at in notes.newest.items()}
    wrong = len(notes.findings) + len(notes.left) + bool(notes.failed)
    return (
        Family(
            "holdstill_offsite_last_capture_timestamp_seconds",
            "When the newest capture that is off-site arrived.", arrived,
        ),
        Family(
            "holdstill_offsite_complete_timestamp_seconds",
            "When everything was last off-site.", {"": _seconds(notes.since)},
        ),
        Family(
            "holdstill_offsite_troubles", "What is wrong with the off-site copy.",
            {"": float(wrong)},
        ),
    )  # fmt: skip


def _seconds(at: str) -> float:
    return datetime.fromisoformat(at).timestamp()


def _each(states: Sequence[BoardSilence], name: str) -> dict[str, float]:
    return {state.board: float(getattr(state, name)) for state in states}
