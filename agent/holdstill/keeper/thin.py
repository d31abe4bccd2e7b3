"""Thinning: deleting captures that retention does not keep.

The ledger first records what is deleted; then each capture is renamed into trash/ and deleted.
A cut at any point is finished by the next run. Nothing is deleted while anything about the board's
captures is suspicious.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.errors import BusyError, SecurityError, VerificationError
from holdstill.keeper import board_captures, clock_check, deletion, enrolment, incoming, retention
from holdstill.keeper.board_captures import INTERRUPTED, BoardCaptures
from holdstill.keeper.ledger import ThinnedEvent
from holdstill.keeper.sealing import Sealer
from holdstill.model.names import CaptureName
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from holdstill.keeper.retention import Verdict
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.settings import Retention
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner


def plan(
    store: Store, board: BoardName, rule: Retention, *, clock: Clock, runner: Runner
) -> tuple[Verdict, ...]:
    """Decide what thinning would do; nothing is changed.

    A retention of the board's own, in its enrolment, goes before the rule for all boards.

    Raises:
        SecurityError: something about the board's captures is suspicious.
        VerificationError: some are gone.
        PreflightError: the clock must be wrong.
    """
    found = BoardCaptures(store, board, runner).briefs()
    briefs = [brief for brief in found if brief.faults != (INTERRUPTED,)]
    faulty = [f"{brief.name}: {brief.faults[0]}" for brief in briefs if brief.faults]
    if faulty:
        problem = f"captures of {board} are not as they should be: {'; '.join(faulty[:3])}"
        if not any(board_captures.is_reproach(each) for brief in briefs for each in brief.faults):
            faults = [fault for brief in briefs for fault in brief.faults]
            put_back = board_captures.what_to_do(store.root, board, faults)
            raise VerificationError(problem, hint=f"nothing was deleted: {put_back}")
        raise SecurityError(
            problem,
            hint="nothing was deleted. Look into it first; `holdstill list` shows all. One that "
            f"is of no more use: `holdstill keeper accept {store.root} {board} --forget CAPTURE "
            "--reason ...`",
        )
    now = clock.now()
    if any(retention.is_ahead(brief.arrived_at, now) for brief in briefs):
        clock_check.check(store, now)
    return retention.judge(briefs, own_retention(store, board) or rule, now=now)


def own_retention(store: Store, board: BoardName) -> Retention | None:
    """Return the rule that a board has for itself; None if it goes by that for all boards."""
    return enrolment.read(store, board).retention


def own_retentions(store: Store, boards: Iterable[BoardName]) -> dict[BoardName, Retention]:
    """Return the rules of those of these boards that have one for themselves."""
    found = {board: own_retention(store, board) for board in boards}
    return {board: own for board, own in found.items() if own is not None}


def delete_captures(
    store: Store, board: BoardName, rule: Retention, *, clock: Clock, runner: Runner
) -> tuple[Verdict, ...]:
    """Delete the captures of a board that retention does not keep.

    A run of the board that is alive goes on: of older captures it needs the newest alone, which
    stays, and what an interruption left it has finished itself.

    Raises:
        UsageError: the board is not enrolled.
        SecurityError: something about the board's captures is suspicious.
        VerificationError: some are gone.
    """
    enrolment.read(store, board)
    store.lay_out()
    enrolment.lay_out(store, board)
    shelf = BoardCaptures(store, board, runner)
    with suppress(BusyError), incoming.take_lock(store, board, tries=1).held():
        Sealer(shelf, clock=clock).recover()
    while True:
        with shelf.ledger_file.held_for_reading() as ledger:
            known = ledger.damaged_at
        verdicts = plan(store, board, rule, clock=clock, runner=runner)
        unwanted = [verdict.name for verdict in verdicts if not verdict.is_kept]
        if not unwanted or _delete(shelf, unwanted, known, clock):
            return verdicts


def delete_these(
    store: Store, board: BoardName, names: Sequence[str], *, clock: Clock, runner: Runner
) -> None:
    """Delete captures of a board that somebody else keeps from now on; `plan` has found no fault.

    Raises:
        BusyError: others turned out to be damaged meanwhile: nothing was deleted.
    """
    shelf = BoardCaptures(store, board, runner)
    with shelf.ledger_file.held_for_reading() as ledger:
        known = ledger.damaged_at
    if not _delete(shelf, names, known, clock):
        raise BusyError(
            f"captures of {board} were found damaged just now", hint="the next run goes on"
        )


def _delete(
    shelf: BoardCaptures, unwanted: Sequence[str], damaged_at: Mapping[str, str], clock: Clock
) -> bool:
    """Delete captures, unless others turned out to be damaged since it was decided."""
    disk, file = shelf.store.disk, shelf.ledger_file
    with file.held_for_writing(disk) as ledger:
        if ledger.damaged_at != damaged_at:
            return False
        settled = ledger.pinned | ledger.thinned  # since it was decided
        victims = tuple(name for name in unwanted if name not in settled)
        event = ThinnedEvent(captures=victims)
        note = deletion.note(shelf.store, shelf.board, victims)
        file.append(ledger, [event], at=clocks.rfc3339(clock.now()), disk=disk)
    for name in victims:
        shelf.store.discard(shelf.folder / str(CaptureName.parse(name)))
    disk.sync_directory(shelf.folder)
    deletion.over(shelf.store, [note])
    return True
