"""Would a card made of this capture boot? Judged at the keeper once it is sealed.

It is a second opinion about a capture that is there, and never a reason to refuse one.
"""

from __future__ import annotations

from itertools import islice
from typing import TYPE_CHECKING

from holdstill.keeper import capture_notes
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model.boot import BootFinding, BootVerdict
from holdstill.rebuild import bootcheck
from holdstill.rebuild.boot import captured_card
from holdstill.records import assembled

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.sealed_capture import IndexedCapture
    from holdstill.rebuild.boot.report import BootReport
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner

LACKING_MOST, LACKING_LONGEST = 5, 200
"""Of what a boot lacks, so much is noted: each capture has a line in the ledger."""


def follow(capture: IndexedCapture) -> BootReport:
    """Follow every boot chain of the card, or the disks, that a rebuild would make of a capture.

    Raises:
        HoldstillError, OSError: the capture cannot be read.
    """
    manifest = capture.manifest()
    with (
        assembled.opened_index(capture) as index,
        captured_card.opened(manifest, index, capture) as card,
    ):
        return bootcheck.judge(card, model=manifest.board.model)


def judge(capture: IndexedCapture) -> BootFinding:
    """Return what that comes to.

    Raises:
        HoldstillError, OSError: the capture cannot be read.
    """
    report = follow(capture)
    if report.verdict is not BootVerdict.BROKEN:
        return BootFinding(verdict=report.verdict)
    lacking = (text[:LACKING_LONGEST] for text in report.broken_links())
    return BootFinding(verdict=report.verdict, lacking=tuple(islice(lacking, LACKING_MOST)))


def note_newest(store: Store, board: BoardName, runner: Runner, *, clock: Clock) -> None:
    """Judge the newest good capture of a board, unless that was done, and note what was found.

    Raises:
        HoldstillError, OSError: it cannot be read, or the ledger cannot be written.
    """
    shelf = BoardCaptures(store, board, runner)
    newest = shelf.newest_good()
    if newest is not None and newest.boot is None:
        finding = judge(shelf.capture(newest.name))
        capture_notes.judged(store, board, newest.name, finding, clock=clock)
