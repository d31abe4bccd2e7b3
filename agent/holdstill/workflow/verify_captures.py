"""Verify what a store holds, and cards that were made from it."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import msgspec

from holdstill import errors
from holdstill.disks import emmc_area_check, emmc_areas
from holdstill.errors import DegradedError, HoldstillError, MachineError, VerificationError
from holdstill.keeper import account_captures, capture_notes, odd_places, references, repair
from holdstill.keeper.ledger import LedgerFile
from holdstill.keeper.repair import RepairResult
from holdstill.keeper.store import VERIFIED
from holdstill.model import names
from holdstill.model.attachment_names import area_of
from holdstill.model.estimate import Stage
from holdstill.model.sizes import MIB
from holdstill.verify import card_check, store_check, verified_cache
from holdstill.verify.store_check import ContentDamage, StoreReport
from holdstill.workflow import captures_to_verify, each_board, explain

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.sealed_capture import IndexedCapture
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.verify.card_report import CardReport
    from holdstill.workflow.ports import Progress
    from holdstill.workflow.rebuild_source import RebuildSource

DAY = 86_400.0
CHECKING = "checking captures and their signatures"
READING = "reading contents"
COMPARING = "comparing the store's accounts with its captures"
_RATE = 100 * MIB
"""Bytes a second that a disk is thought to give, and a processor to hash."""


class VerifyReport(StoreReport, frozen=True, kw_only=True):
    """What verifying a store has shown.

    Attributes:
        troubles: boards of which nothing, or not all, could be judged.
        miscounted: board/capture of those of which the references say something else than
            their indexes. They are derived, and no capture is the worse for it.
        missing: board/capture, or board: what is gone, or what the disk does not give, of captures
            that cannot be used for that.
        odd: what is in the store's own places and does not belong there, or cannot be read; no
            capture is the worse for it.
    """

    troubles: tuple[each_board.BoardTrouble, ...] = ()
    miscounted: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    odd: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """The worst of what was found."""
        codes = [trouble.exit_code for trouble in self.troubles]
        codes += [MachineError.exit_code] if self.unread else []
        is_bad = self.damages or self.faults or self.missing
        codes += [VerificationError.exit_code] if is_bad else []
        is_degraded = self.miscounted or self.odd
        return errors.worst((*codes, DegradedError.exit_code if is_degraded else 0))


def verify_store(
    store: Store,
    reference: str,
    *,
    within_days: float,
    rate: float,
    clock: Clock,
    runner: Runner,
    progress: Progress,
) -> VerifyReport:
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
    progress.step(CHECKING)
    board, _, which = reference.partition("/")
    found = each_board.do(
        store, board, lambda name: captures_to_verify.of_board(store, name, which, runner)
    )
    wanted = captures_to_verify.of_all(found.results.values())
    now = clock.now().timestamp()
    with verified_cache.opened(
        store.root / VERIFIED, since=now - within_days * DAY, until=now
    ) as memory:
        total = wanted.expected_bytes()
        progress.expect(_stages(total, rate))
        progress.step(READING)
        report = store_check.check_captures(
            wanted.captures,
            memory=memory,
            pace=store_check.Pace(rate, clock),
            is_kept=lambda capture: not _is_thinned(store, capture),
            progress=lambda done: progress.update(done, total),
        )
    progress.step(COMPARING)
    notes = _note(store, report, clock)
    miscounted, reason = _miscounted(store)
    return VerifyReport(
        contents=report.contents,
        bytes=report.bytes,
        skipped=report.skipped,
        captures=report.captures,
        read_since=report.read_since,
        damaged=report.damaged,
        damages=tuple(_placed(store, report.damages)),
        faults=(*wanted.faults, *report.faults),
        unread=(*wanted.unread, *report.unread),
        not_read=report.not_read,
        gone=report.gone,
        notes=(*wanted.notes, *report.notes, *notes, *reason),
        troubles=found.troubles,
        miscounted=miscounted,
        missing=tuple(wanted.missing),
        odd=(*odd_places.found(store), *odd_places.page(store)),
    )


def _stages(total: int, rate: float) -> tuple[Stage, ...]:
    """Return what is to come once it is known how much is read; rate is a limit, or 0."""
    seconds = total / (min(rate, _RATE) if rate else _RATE)
    return (Stage(READING, seconds), Stage(COMPARING, 1.0 + seconds / 50))


def _placed(store: Store, damages: Iterable[ContentDamage]) -> Iterator[ContentDamage]:
    awaited = frozenset(repair.awaited(store) or ())
    for damage in damages:
        digest = names.check_digest(damage.digest)
        path = str(store.contents.path(digest))
        yield msgspec.structs.replace(damage, path=path, is_awaited=digest in awaited)


def _miscounted(store: Store) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the captures that the references have wrong; or a note, why nobody can tell."""
    try:
        return account_captures.differences(store), ()
    except references.UnsoundReferencesError as error:
        why = f"{error}; it is derived, and `holdstill keeper recount` makes it again"
    except HoldstillError as error:
        why = f"{error}; it is derived, and no capture needs it"
    return (), (" ".join(why.split()),)


def repair_damage(store: Store, report: StoreReport) -> dict[str, RepairResult]:
    """Take damaged contents out, and have the board send them again.

    Contents that came back since an earlier repair are asked for no longer.

    Returns:
        What became of each content, by its digest.
    """
    outcomes = {
        damage.digest: repair.repair(store, names.check_digest(damage.digest))
        for damage in report.damages
    }
    outcomes |= {str(digest): RepairResult.AWAITED for digest in repair.finish(store)}
    return outcomes


def _is_thinned(store: Store, capture: IndexedCapture) -> bool:
    """Whether the ledger says by now that a capture was deleted; it says so beforehand."""
    file = LedgerFile(store.board_folder(capture.board) / "ledger.jsonl")
    with suppress(OSError), file.held_for_reading() as ledger:
        return str(capture.name) in ledger.thinned
    return False


def _note(store: Store, report: StoreReport, clock: Clock) -> tuple[str, ...]:
    """Note in the ledgers what was found; return why it could not be, which changes no verdict."""
    notes: list[str] = []
    good, bad = _by_board(report.captures), _by_board(report.damaged)
    unread = _by_board(report.not_read)
    for board in dict.fromkeys((*good, *bad, *unread)):
        since = {name: report.read_since[f"{board}/{name}"] for name in good.get(board, ())}
        try:
            if since:
                capture_notes.verified(store, board, since, clock=clock)
            if board in bad:
                capture_notes.damaged(store, board, bad[board], clock=clock)
            if board in unread:
                capture_notes.unread(store, board, unread[board], clock=clock)
        except (HoldstillError, OSError) as error:
            known = explain.explained(error) or error
            hint = getattr(known, "hint", "")
            notes.append(
                f"{board}: what was found cannot be noted in its ledger: {known}"
                + (f"; what to do: {hint}" if hint else "")
            )
    return tuple(notes)


def _by_board(captures: Iterable[str]) -> dict[BoardName, list[str]]:
    found: dict[BoardName, list[str]] = {}
    for reference in captures:
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
    report = card_check.check_card(
        path, source.manifest, expected=source.entries, gap=runs, machine=machine
    )
    areas = _areas_otherwise(path, source)
    return msgspec.structs.replace(report, unchecked=(*report.unchecked, *areas))


def _areas_otherwise(path: Path, source: RebuildSource) -> Iterator[str]:
    """Yield which captured areas of an eMMC a target lacks or has otherwise: mostly on purpose."""
    there = {area.area: area for area in emmc_areas.find(path)}
    for item in source.manifest.boot_areas:
        area = there.get(area_of(item.name))
        if area is None or area.size < item.size:
            yield f"{area_of(item.name)} of the board's eMMC, for which there is no room here"
        elif emmc_area_check.first_difference(area, source.pieces_of(item)[0]) is not None:
            yield f"{area.device}, which is not as captured: only --boot-areas writes it"
