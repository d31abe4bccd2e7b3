"""Verify what a store holds, and cards that were made from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec

from holdstill.keeper import capture_notes, repair
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.verify import card_check, store_check
from holdstill.workflow import capture_ref

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.verify.card_report import CardReport
    from holdstill.verify.store_check import StoreReport
    from holdstill.workflow.ports import Progress
    from holdstill.workflow.rebuild_source import RebuildSource

MEMORY = "verified.sqlite"
"""In the store: when each content was last found good."""
DAY = 86_400.0


def verify_store(
    store: Store,
    reference: str,
    *,
    within_days: float,
    rate: float,
    clock: Clock,
    runner: Runner,
    progress: Progress,
) -> StoreReport:
    """Read contents again, newest captures first, and note in the ledgers what was found.

    Args:
        store: whose contents.
        reference: BOARD, BOARD/CAPTURE, or "" for all boards.
        within_days: contents found good within so many days are not read again.
        rate: most bytes a second; 0 = no limit.
        clock: dates and paces.
        runner: checks signatures.
        progress: shows how far it is.
    """
    captures, faults = _wanted(store, reference, runner)
    total = sum(part.content_bytes for c in captures[:1] for part in c.manifest().parts)
    since = clock.now().timestamp() - within_days * DAY
    with store_check.remembered(store.root / MEMORY, since=since) as memory:
        progress.step("reading contents")
        report = store_check.check_captures(
            captures,
            memory=memory,
            pace=store_check.Pace(rate, clock),
            progress=lambda done: progress.update(done, total),
        )
    _note(store, report, clock)
    return msgspec.structs.replace(report, faults=(*faults, *report.faults))


def repair_damage(store: Store, report: StoreReport) -> dict[str, str]:
    """Replace damaged contents by spare copies, or have the board send them again.

    Trees of contents that came back since an earlier repair are put right as well.

    Returns:
        What became of each content, by its digest.
    """
    outcomes = {
        damage.digest: str(repair.repair(store, names.check_digest(damage.digest)))
        for damage in report.damages
    }
    outcomes |= {digest: str(repair.RepairResult.AWAITED) for digest in repair.finish(store)}
    return outcomes


def _wanted(
    store: Store, reference: str, runner: Runner
) -> tuple[list[StoredCapture], tuple[str, ...]]:
    """Return the captures that are meant and have no faults, newest first; and the others' faults.

    A capture with faults must not keep the others from being read.
    """
    board, _, which = reference.partition("/")
    boards = (names.check_board(board),) if board else store.boards()
    good: list[tuple[str, StoredCapture]] = []
    faults: list[str] = []
    for shelf in (BoardCaptures(store, name, runner) for name in boards):
        briefs = shelf.briefs()
        wanted = (capture_ref.chosen(briefs, which, shelf.board),) if which else briefs
        faults += [f"{shelf.board}: {fault}" for fault in shelf.ledger_faults()]
        for brief in wanted:
            faults += [f"{shelf.board}/{brief.name}: {fault}" for fault in brief.faults]
            if not brief.faults:
                good.append((brief.arrived_at, shelf.capture(brief.name)))
    good.sort(key=lambda pair: pair[0], reverse=True)
    return [capture for _, capture in good], tuple(faults)


def _note(store: Store, report: StoreReport, clock: Clock) -> None:
    for board, captures in _by_board(report.captures).items():
        capture_notes.verified(store, board, captures, clock=clock)
    for board, captures in _by_board(report.damaged).items():
        capture_notes.damaged(store, board, captures, clock=clock)


def _by_board(references: Iterable[str]) -> dict[BoardName, list[str]]:
    found: dict[BoardName, list[str]] = {}
    for reference in references:
        board, _, capture = reference.partition("/")
        found.setdefault(names.check_board(board), []).append(capture)
    return found


def verify_card(path: Path, source: RebuildSource, *, machine: Runner | None = None) -> CardReport:
    """Compare a card or image with the capture that it was made from, byte for byte.

    Sizes may be fitted; everything else must be as captured. The machine mounts, read-only, what
    only the kernel can read; without one that is unchecked.
    """
    gap = source.manifest.gap
    runs = source.boot_gap(gap) if gap is not None else []
    return card_check.check_card(
        path, source.manifest, expected=source.entries, gap=runs, machine=machine
    )
