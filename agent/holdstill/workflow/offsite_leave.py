"""Captures that are safely off-site leave the keeper, whose disk then is a cache (`keep_here`).

In this order: the server is asked whether it has, and locks, every pack that a capture needs; a
head tells that the capture is there alone; the heads of this keeper are those that readers use;
then it is deleted here. Cut off anywhere, the next run
goes on. What has left is needed off-site until retention gives it up: it is judged together with
the captures that are here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, VerificationError
from holdstill.keeper import retention, thin
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model.sizes import counted
from holdstill.offsite import keeper_heads, own_heads, run_notes
from holdstill.offsite.bucket import MissingObjectError, RefusedError
from holdstill.offsite.head import AwayCapture
from holdstill.records import capture_contents
from holdstill.workflow import each_board

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief
    from holdstill.model.settings import Retention
    from holdstill.offsite.upload import Uploader
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.workflow.each_board import BoardTrouble


_NAMED = 5


@dataclass(frozen=True)
class _Packs:
    """What the server says of packs; each is asked for once.

    Attributes:
        refused: why it did not say it of some.
    """

    uploader: Uploader
    asked: dict[str, bool] = field(default_factory=dict)
    refused: list[RefusedError] = field(default_factory=list)

    def is_safe(self, name: str) -> bool:
        """Whether the server has a pack, whole, and locked for half of the usual time at least."""
        if name not in self.asked:
            self.asked[name] = self._is_safe(name)
        return self.asked[name]

    def troubles(self) -> tuple[BoardTrouble, ...]:
        """Return why captures stay here that were to leave, if the server did not say."""
        if not self.refused:
            return ()
        packs = counted(len(self.refused), "pack")
        why = "; ".join(map(str, self.refused[:_NAMED]))
        problem = f"the server does not say of {packs} whether it is safe, so captures stay: {why}"
        hint = "a later run asks again; `holdstill offsite verify` looks at every pack"
        return (each_board.trouble("keep_here", VerificationError(problem, hint=hint)),)

    def _is_safe(self, name: str) -> bool:
        if name in self.uploader.sent.lost():
            return False
        pack, locks = self.uploader.sent.pack(name), self.uploader.locks
        try:
            found = self.uploader.bucket.locked(keeper_heads.pack_key(name), pack.version)
        except MissingObjectError:
            return False
        except RefusedError as error:
            self.refused.append(error)
            return False
        is_locked = found.until is not None and not locks.is_due_at(found.until)
        return is_locked and found.size == pack.size


def given_up(
    store: Store,
    uploader: Uploader,
    rule: Retention,
    present: Mapping[BoardName, tuple[CaptureBrief, ...]],
) -> frozenset[tuple[str, str]]:
    """Return the captures that have left and that retention gives up.

    Of a board that cannot be read, or is not here any more, all stay.
    """
    found: set[tuple[str, str]] = set()
    for board, briefs in present.items():
        away = [one.brief for one in uploader.sent.away() if one.board == board]
        here = {brief.name for brief in briefs}
        if not away or any(brief.faults for brief in briefs):
            continue
        every = [*briefs, *(brief for brief in away if brief.name not in here)]
        own = thin.own_retention(store, board) or rule
        verdicts = retention.judge(every, own, now=uploader.locks.now)
        unwanted = {verdict.name for verdict in verdicts if not verdict.is_kept}
        found |= {(board, brief.name) for brief in away if brief.name in unwanted - here}
    return frozenset(found)


def leave(
    store: Store, uploader: Uploader, rule: Retention, *, clock: Clock, runner: Runner
) -> tuple[list[str], tuple[BoardTrouble, ...]]:
    """Have all but the newest captures of each board leave, as far as they are safe off-site.

    Returns:
        BOARD/CAPTURE of those that left, and why the captures of a board had to stay.

    Raises:
        LinkError: the server cannot be asked.
        SecurityError: what this keeper has told there is not what readers see.
    """
    notes = run_notes.load(store.root)
    most = uploader.settings.keep_here
    if not most or uploader.locks.until is None or notes is None or notes.findings:
        return [], ()
    packs = _Packs(uploader)

    def of_board(board: BoardName) -> list[AwayCapture]:
        shelf = BoardCaptures(store, board, runner)
        kept = {
            verdict.name
            for verdict in thin.plan(store, board, rule, clock=clock, runner=runner)
            if verdict.is_kept
        }
        older = sorted(shelf.briefs(), key=lambda brief: brief.seq)[:-most]
        may = (b for b in older if b.name in kept and not b.pinned and b.is_whole)
        found = (_away(uploader, shelf, brief, packs) for brief in may)
        return [one for one in found if one is not None]

    boards = each_board.do(store, None, of_board)
    leaving = [one for found in boards.results.values() for one in found]
    uploader.tell_away([one for one in leaving if not uploader.sent.is_away(one)])
    if leaving:
        own_heads.check_all(uploader.bucket, uploader.sent, uploader.settings)
    troubles = [*boards.troubles, *packs.troubles()]
    for board, found in boards.results.items():
        if not found:
            continue
        try:
            thin.delete_these(
                store, board, [one.brief.name for one in found], clock=clock, runner=runner
            )
        except HoldstillError as error:
            troubles.append(each_board.trouble(board, error))
    return [f"{one.board}/{one.brief.name}" for one in leaving], tuple(troubles)


def _away(
    uploader: Uploader, shelf: BoardCaptures, brief: CaptureBrief, known: _Packs
) -> AwayCapture | None:
    """Return what a head is to tell of a capture that leaves; None if it is not safe there."""
    board = shelf.board
    documents = uploader.sent.documents_of(board, brief.name)
    if documents is None:
        return None
    needed = (digest for digest, _ in capture_contents.needed(shelf.capture(brief.name)))
    packs = _packs(uploader, (*documents,), needed)
    if packs is None or not all(map(known.is_safe, sorted(packs))):
        return None
    return AwayCapture(board=board, brief=brief, packs=tuple(sorted(packs)))


def _packs(
    uploader: Uploader, documents: Iterable[bytes], needed: Iterable[bytes]
) -> set[str] | None:
    """Return the packs that have all of these contents; None if one is in none."""
    found: set[str] = set()
    for digests in (documents, needed):
        for digest in digests:
            name = uploader.sent.pack_of(digest)
            if name is None:
                return None
            found.add(name)
    return found
