"""What the owner, a verification or a rehearsal notes about captures: lines in the ledger."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import UsageError, VerificationError
from holdstill.keeper.board_captures import ledger_back
from holdstill.keeper.ledger import (
    AcceptedEvent,
    BootedEvent,
    DamagedEvent,
    ForgottenEvent,
    JudgedEvent,
    LedgerFile,
    NotedEvent,
    PinnedEvent,
    UnpinnedEvent,
    UnreadEvent,
    VerifiedEvent,
)
from holdstill.model.foreign_text import printable
from holdstill.model.names import CaptureName
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from holdstill.keeper.ledger import Event, Ledger
    from holdstill.keeper.store import Store
    from holdstill.model.boot import BootFinding
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock


NOTE_LIMIT = 200
"""Characters of a note."""


def pin(store: Store, board: BoardName, name: str, *, clock: Clock) -> None:
    """Keep a capture whatever retention says."""
    _note(store, board, PinnedEvent(capture=str(CaptureName.parse(name))), [name], clock)


def unpin(store: Store, board: BoardName, name: str, *, clock: Clock) -> None:
    """Let retention decide about a capture again."""
    _note(store, board, UnpinnedEvent(capture=str(CaptureName.parse(name))), [name], clock)


def note(store: Store, board: BoardName, name: str, text: str, *, clock: Clock) -> None:
    """Note something about a capture, in the place of what was noted before; "" for nothing.

    Raises:
        UsageError: it is too long, or is not one line of visible text.
    """
    if len(text) > NOTE_LIMIT or printable(text) != text:
        raise UsageError(
            f"a note is one line of visible text, of {NOTE_LIMIT} characters at most",
            hint="shorten it, and leave out line breaks and control characters",
        )
    event = NotedEvent(capture=str(CaptureName.parse(name)), text=text)
    _note(store, board, event, [name], clock)


def verified(store: Store, board: BoardName, since: Mapping[str, str], *, clock: Clock) -> None:
    """Note that all contents of these captures were hashed again and were right.

    Those that were thinned meanwhile are left out. What is said of each is what VerifiedEvent
    has of it.
    """
    with _held(store, board) as (file, ledger):
        if left := _left(ledger, tuple(since)):
            event = VerifiedEvent(captures={name: since[name] for name in left})
            _append(store, file, ledger, event, clock)


def damaged(store: Store, board: BoardName, names: Sequence[str], *, clock: Clock) -> None:
    """Note that some content of these captures was hashed again and was wrong.

    Those that were thinned meanwhile are left out.
    """
    _note_left(store, board, DamagedEvent, names, clock)


def unread(store: Store, board: BoardName, names: Sequence[str], *, clock: Clock) -> None:
    """Note that this machine or user could not read all contents of these captures.

    Those that were thinned meanwhile are left out.
    """
    _note_left(store, board, UnreadEvent, names, clock)


def judged(
    store: Store, board: BoardName, name: str, finding: BootFinding, *, clock: Clock
) -> None:
    """Note whether a card made of a capture would boot."""
    _note(store, board, JudgedEvent(capture=name, finding=finding), [name], clock)


def booted(store: Store, board: BoardName, name: str, *, clock: Clock) -> None:
    """Note that a rehearsal booted a capture."""
    _note(store, board, BootedEvent(capture=name), [name], clock)


def accept(store: Store, board: BoardName, reason: str, *, clock: Clock) -> None:
    """Continue after a broken ledger: the owner's reason is recorded in it.

    Raises:
        UsageError: no reason is given.
    """
    check_reason(reason)
    with _held(store, board) as (file, ledger):
        event = AcceptedEvent(reason=reason[:500], breaks=tuple(ledger.breaks.values()))
        _append(store, file, ledger, event, clock)


def check_reason(reason: str) -> None:
    """Refuse a reason that says nothing.

    Raises:
        UsageError: it is one.
    """
    if not reason.strip():
        raise UsageError("say why the ledger is accepted as it is")


def given_up(store: Store, board: BoardName, names: Sequence[str], *, clock: Clock) -> None:
    """Note that captures that are gone are not expected to come back."""
    _note_left(store, board, ForgottenEvent, names, clock)


def _note_left(
    store: Store,
    board: BoardName,
    kind: type[DamagedEvent | UnreadEvent | ForgottenEvent],
    names: Sequence[str],
    clock: Clock,
) -> None:
    """Note something of those captures that were not thinned meanwhile, if any are left."""
    with _held(store, board) as (file, ledger):
        if left := _left(ledger, names):
            _append(store, file, ledger, kind(captures=left), clock)


def _note(
    store: Store, board: BoardName, event: Event, names: Sequence[str], clock: Clock
) -> None:
    with _held(store, board) as (file, ledger):
        unknown = sorted(set(names).difference(_left(ledger, names)))
        if unknown:
            folder = store.board_folder(board) / "captures"
            is_lost = any((folder / name).is_dir() for name in unknown)
            raise UsageError(
                f"the ledger of board {board} has no capture {', '.join(unknown)}",
                hint=ledger_back(store.root, board) if is_lost else "see `holdstill list`",
            )
        _append(store, file, ledger, event, clock)


@contextmanager
def _held(store: Store, board: BoardName) -> Iterator[tuple[LedgerFile, Ledger]]:
    file = LedgerFile(store.board_folder(board) / "ledger.jsonl")
    if not os.path.lexists(file.path):
        raise VerificationError(
            f"{file.path}: it is gone; nothing was noted", hint=ledger_back(store.root, board)
        )
    with file.held_for_writing(store.disk) as ledger:
        yield file, ledger


def _left(ledger: Ledger, names: Sequence[str]) -> tuple[str, ...]:
    """Return those of these captures that were sealed and not thinned."""
    known = {event.brief.name for event in ledger.sealed} - ledger.thinned
    return tuple(name for name in names if name in known)


def _append(store: Store, file: LedgerFile, ledger: Ledger, event: Event, clock: Clock) -> None:
    file.append(ledger, [event], at=clocks.rfc3339(clock.now()), disk=store.disk)
