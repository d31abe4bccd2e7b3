"""Which captures a verify reads, newest first, and what is said of the others."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, UsageError
from holdstill.keeper import account_captures, board_captures
from holdstill.keeper.board_captures import BoardCaptures, StoredCapture
from holdstill.model.names import CaptureName
from holdstill.workflow import capture_ref

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief
    from holdstill.system.process import Runner


@dataclass
class CapturesToVerify:
    """Captures to be read, and what is said of those that are not.

    Attributes:
        faults, missing, unread, notes: as in a VerifyReport.
        arrived: when each one arrived (RFC 3339), by BOARD/CAPTURE.
    """

    captures: list[StoredCapture] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    arrived: dict[str, str] = field(default_factory=dict)

    def report_faults(self, board: BoardName, brief: CaptureBrief) -> None:
        """Sort what is wrong with a capture; one that a power cut stopped is nobody's loss."""
        for fault in brief.faults:
            if fault == board_captures.INTERRUPTED:
                kind = self.notes
            elif fault.startswith(board_captures.NO_ACCESS):
                kind = self.unread
            elif not board_captures.is_reproach(fault):
                kind = self.missing
            else:
                kind = self.faults
            kind.append(f"{board}/{brief.name}: {fault}")

    def expected_bytes(self) -> int:
        """Guess how much there is to read; 0 if the newest capture cannot be read."""
        try:
            return sum(
                part.content_bytes for c in self.captures[:1] for part in c.manifest().parts
            )
        except (HoldstillError, OSError):  # it is reported when its turn comes
            return 0


def of_board(store: Store, board: BoardName, which: str, runner: Runner) -> CapturesToVerify:
    """Look at the captures of a board that are meant; "" means all.

    A capture with faults must not keep the others from being read.

    Raises:
        UsageError: there is no such capture.
    """
    shelf = BoardCaptures(store, board, runner)
    briefs, found = shelf.briefs(), CapturesToVerify()
    found.faults += [f"{board}: {fault}" for fault in shelf.ledger_faults()]
    found.missing += [f"{board}: {said}" for said in account_captures.unlisted(store, board)]
    for brief in (capture_ref.chosen(briefs, which, board),) if which else briefs:
        found.report_faults(board, brief)
        if brief.faults:
            continue
        try:
            name = CaptureName.parse(brief.name)
        except UsageError as error:
            found.faults.append(f"{board}/{brief.name}: {error}")
            continue
        folder = shelf.folder / brief.name
        found.captures.append(StoredCapture(board, name, folder, store.contents))
        found.arrived[f"{board}/{name}"] = brief.arrived_at
    return found


def of_all(boards: Iterable[CapturesToVerify]) -> CapturesToVerify:
    """Put those of several boards together, the newest first."""
    total = CapturesToVerify()
    for of_one in boards:
        total.captures += of_one.captures
        total.faults += of_one.faults
        total.missing += of_one.missing
        total.unread += of_one.unread
        total.notes += of_one.notes
        total.arrived |= of_one.arrived
    total.captures.sort(key=lambda c: total.arrived[f"{c.board}/{c.name}"], reverse=True)
    return total
