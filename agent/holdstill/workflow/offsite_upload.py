"""Sends a store's captures off-site, keeps locked what is needed, and counts the cost first."""

from __future__ import annotations

import fcntl
import os
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import BusyError, HoldstillError, LinkError, SecurityError
from holdstill.keeper import enrolment, references
from holdstill.keeper.board_captures import SIGNATURE, BoardCaptures
from holdstill.model.settings import Retention
from holdstill.offsite import (
    adopt,
    bucket_address,
    catch_up,
    cost,
    earlier,
    keep_locked,
    offsite_settings,
    run_notes,
    sent,
)
from holdstill.offsite.bucket import Bucket, is_refused
from holdstill.offsite.locks import Locks
from holdstill.offsite.upload import (
    Uploader,
    UploadReport,
)
from holdstill.records import capture_contents
from holdstill.system import clocks, files, work_folder
from holdstill.workflow import (
    each_board,
    explain,
    offsite_again,
    offsite_earlier,
    offsite_keep,
    offsite_leave,
)
from holdstill.workflow.each_board import BoardTrouble  # noqa: TC001  msgspec reads the annotation
from holdstill.workflow.offsite_keep import Kept

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief
    from holdstill.offsite.cost import Cost
    from holdstill.offsite.offsite_settings import OffsiteSettings
    from holdstill.offsite.sent import Sent
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.workflow.ports import Progress

    Briefs = Mapping[BoardName, tuple[CaptureBrief, ...]]

LOCK = "offsite.lock"
WORK = Path("/var/tmp")  # noqa: S108  a folder of our own is made in it
"""Where a pack is made: its bytes, some 32 MiB, must fit."""


@dataclass(frozen=True)
class OffsiteReport:
    """What came of a run.

    Attributes:
        sent: what was put.
        adopted: packs of other keepers that were taken over.
        extended, deleted: locks that were lengthened; packs that were let go.
        requests: calls of the server.
        troubles: captures that could not be sent, each with why; the others were. And what is
            lost off-site and cannot be sent again.
        left: captures that have left the keeper now.
        away: board to all that are off-site alone.
        newest: board to when its newest capture that is off-site arrived here.
        warnings: what somebody else has put there, of which nothing is used; what the server does
            not delete.
    """

    sent: UploadReport
    adopted: int
    extended: int
    deleted: int
    requests: int
    troubles: tuple[BoardTrouble, ...]
    warnings: tuple[str, ...]
    left: list[str]
    away: dict[str, tuple[str, ...]]
    newest: dict[str, str]


class _StoredToSend:
    """A capture of the store, as the uploader takes it."""

    def __init__(self, store: Store, capture: StoredCapture, brief: CaptureBrief) -> None:
        self._store, self._capture, self.brief = store, capture, brief
        self.board: str = capture.board
        self.open = capture.open

    def documents(self) -> tuple[bytes, bytes, bytes]:
        """Return its manifest, its signature, and the board's enrolment."""
        enrolled = enrolment.path_of(self._store, self._capture.board)
        seal = files.read_regular(self._capture.folder / SIGNATURE)
        return self._capture.manifest_bytes(), seal, files.read_regular(enrolled)

    def needed(self) -> Iterator[tuple[bytes, int]]:
        """Yield (digest, size) of every content that it needs."""
        return capture_contents.needed(self._capture)


def opened_bucket(settings: OffsiteSettings) -> Bucket:
    """Return the bucket of a keeper.

    Raises:
        UsageError: there is no access key.
    """
    path = Path(settings.access_key) if settings.access_key else None
    return Bucket(bucket_address.parse(settings.address), bucket_address.access_key(path))


def upload(
    store: Store, *, clock: Clock, runner: Runner, progress: Progress,
    reach: Callable[[OffsiteSettings], Bucket] = opened_bucket, is_shared: bool = False,
    rule: Retention | None = None, is_in_turn: bool = False,
) -> OffsiteReport:  # fmt: skip
    """Send all that is not off-site yet, the newest capture of each board first.

    is_shared: whether to look first at what other keepers have put there.
    rule: what is kept of boards without a rule of their own; None for what keepers begin with.
    is_in_turn: whether all that is there is looked at once a day only, as that reads what every
        capture needs; then captures leave as well.

    Raises:
        UsageError: the store has no off-site copy.
        BusyError: another run is sending.
        MachineError: the clocks disagree; LinkError: the bucket cannot be reached.
        SecurityError: somebody else writes there in this keeper's name.
    """
    if not offsite_settings.is_there(store.root):
        offsite_settings.read(store.root)  # which says what to do; no copy has failed
    with _alone(store.root):
        try:
            settings = offsite_settings.read(store.root)
            keeps = not is_in_turn or run_notes.is_time_to_keep(store.root, clock.now())
            report = _upload(
                store, settings, clock, runner, progress, reach, is_shared=is_shared,
                rule=rule or Retention(), keeps=keeps,
            )  # fmt: skip
        except (HoldstillError, OSError) as error:
            _note_failure(store, clock, error)
            raise
        _note_success(store, clock, report, keeps=keeps)
        return report


def _upload(
    store: Store, settings: OffsiteSettings, clock: Clock, runner: Runner, progress: Progress,
    reach: Callable[[OffsiteSettings], Bucket], *, is_shared: bool, rule: Retention,
    keeps: bool,
) -> OffsiteReport:  # fmt: skip
    bucket = reach(settings)
    with ExitStack() as undo:
        noted = undo.enter_context(sent.opened(store.root / sent.NAME))
        folder = undo.enter_context(work_folder.made(WORK))
        warnings = _caught_up(bucket, noted, settings, clock)
        locks = Locks(bucket, settings.lock_days, clock)
        uploader = Uploader(bucket, noted, settings, locks, clock, folder)
        undo.callback(uploader.close)
        adopted = _adopt(store, uploader, runner) if is_shared else 0
        kept = offsite_keep.keep(store, uploader) if keeps else Kept(0, (), frozenset())
        held, behind = offsite_earlier.hold(store.root, clock, reach) if keeps else (0, ())
        troubles, present = _send_all(store, uploader, runner, progress)
        offsite_again.send_missing(store, uploader, kept.missing)
        gone = _gone(store, uploader, rule, present) if not troubles else frozenset()
        report = uploader.finish(sorted(gone))
        lost = (*kept.troubles, *offsite_keep.unmerged(uploader, kept.troubles))
        deleted = keep_locked.delete_told(bucket, noted, locks)
        left, stay = (
            ([], ())
            if lost or not keeps
            else offsite_leave.leave(store, uploader, rule, clock=clock, runner=runner)
        )
        return OffsiteReport(
            report, adopted, kept.extended + held, deleted.packs, bucket.requests,
            (*lost, *behind, *troubles, *stay),
            (*warnings, *filter(None, [deleted.warning])), left,
            _names_away(store.root, noted), _newest_sent(noted, present),
        )  # fmt: skip


def _caught_up(
    bucket: Bucket, noted: Sent, settings: OffsiteSettings, clock: Clock
) -> tuple[str, ...]:
    """Take what is there and was not noted; what to tell of it."""
    try:
        return catch_up.catch_up(bucket, noted, settings)
    except SecurityError:
        # Nothing is sent or let go, and what we have put there is not to end for it.
        with suppress(HoldstillError):
            locks = Locks(bucket, settings.lock_days, clock)
            keep_locked.keep(
                bucket, noted, locks, lambda *_: frozenset(), keeper=settings.keeper, is_sure=False
            )
        raise


def _note_failure(store: Store, clock: Clock, error: HoldstillError | OSError) -> None:
    known = explain.explained(error)
    do = known.hint if known else ""
    run_notes.change(
        store.root, clock.now(), failed=str(error), do=do,
        is_lasting=not isinstance(error, LinkError) or is_refused(error),
    )  # fmt: skip


def _note_success(store: Store, clock: Clock, report: OffsiteReport, *, keeps: bool) -> None:
    now = clock.now()
    left = tuple(trouble.sentence for trouble in report.troubles)
    changed = {} if left else {"since": clocks.rfc3339(now)}
    if keeps:
        changed["kept_at"] = clocks.rfc3339(now)
    run_notes.change(
        store.root, now, is_new=False, failed="", do="", is_lasting=False, left=left,
        newest=report.newest, away=report.away, **changed,
    )  # fmt: skip


def _names_away(root: Path, noted: Sent) -> dict[str, tuple[str, ...]]:
    found = earlier.names(root)
    for one in noted.away():
        found[one.board] = (*found.get(one.board, ()), one.brief.name)
    return found


def _newest_sent(noted: Sent, present: Briefs) -> dict[str, str]:
    """Return when the newest capture of each board that is off-site has arrived here."""
    captures = noted.captures()
    return {
        board: brief.arrived_at
        for board, briefs in present.items()
        for brief in briefs
        if (board, brief.name) in captures and brief.arrived_at
    }


@contextmanager
def _alone(root: Path) -> Iterator[None]:
    with files.opened(root / LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW) as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise BusyError(
                f"another run is sending the captures of {root} off-site",
                hint="wait for it; it sends all that there is",
            ) from error
        yield


def _adopt(store: Store, uploader: Uploader, runner: Runner) -> int:
    """Take over what other keepers have put there of what is to be sent; return how many packs."""
    settings, noted = uploader.settings, uploader.sent
    offered = adopt.offered(
        uploader.bucket, keeper=settings.keeper, key=settings.keys.heads, sent=noted
    )
    with references.opened(store) as known:
        known.load(_needs(_unsent_captures(store, noted, runner)))
        wanted = offered.wanted(_unsent(noted, known))
    return sum(adopt.take_over(uploader.bucket, noted, uploader.locks, *pack) for pack in wanted)


def _unsent_captures(store: Store, noted: Sent, runner: Runner) -> list[StoredCapture]:
    found = each_board.do(store, None, lambda name: BoardCaptures(store, name, runner).briefs())
    return [
        BoardCaptures(store, board, runner).capture(brief.name)
        for board, briefs in found.results.items()
        for brief in _good(briefs)
        if not noted.is_sent(board, brief.name)
    ]


def _needs(captures: Iterable[StoredCapture]) -> Iterator[tuple[bytes, int]]:
    return (pair for one in captures for pair in capture_contents.needed(one))


def _gone(
    store: Store, uploader: Uploader, rule: Retention,
    present: Briefs,
) -> frozenset[tuple[str, str]]:  # fmt: skip
    """Return the captures that nobody keeps any more."""
    noted = uploader.sent
    here = {(board, brief.name) for board, briefs in present.items() for brief in briefs}
    away = {(one.board, one.brief.name) for one in noted.away()}
    given_up = offsite_leave.given_up(store, uploader, rule, present)
    return (noted.captures() - here - away) | given_up


def _send_all(
    store: Store, uploader: Uploader, runner: Runner, progress: Progress
) -> tuple[tuple[BoardTrouble, ...], Briefs]:
    """Send captures; return what could not be, and all captures that the store has."""
    found = each_board.do(store, None, lambda name: BoardCaptures(store, name, runner).briefs())
    troubles = list(found.troubles)
    rounds = sorted(
        (-age, board, brief)
        for board, briefs in found.results.items()
        for age, brief in enumerate(_good(briefs), -len(_good(briefs)) + 1)
    )  # the newest of each board, then the ones before
    touched: set[BoardName] = set()
    for _, board, brief in rounds:
        if told := uploader.sent.documents_of(board, brief.name):
            if told[0].hex() != brief.manifest:
                troubles.append(_told_otherwise(board, brief))
            continue
        progress.step(f"sending {board}/{brief.name}")
        try:
            capture = BoardCaptures(store, board, runner).capture(brief.name)
            uploader.send(_StoredToSend(store, capture, brief))
        except (HoldstillError, OSError) as error:
            known = explain.explained(error)
            if known is None or offsite_again.ends_the_run(error):
                raise
            troubles.append(each_board.trouble(f"{board}/{brief.name}", known))
            continue
        touched.add(board)
    for board in sorted(touched):
        path = BoardCaptures(store, board, runner).ledger_file.path
        uploader.send_ledger(board, files.read_regular(path))
    return tuple(troubles), found.results


def _told_otherwise(board: BoardName, brief: CaptureBrief) -> BoardTrouble:
    """Return the trouble with a capture whose name somebody has given to another one there."""
    error = SecurityError(
        "another capture of this name was told of off-site, so this one is not there",
        hint="somebody has written there in this keeper's name, before its notes were made again. "
        "Withdraw the bucket's access key, make another one, then `holdstill offsite setup "
        "--again`",
    )
    return each_board.trouble(f"{board}/{brief.name}", error)


def _good(briefs: tuple[CaptureBrief, ...]) -> list[CaptureBrief]:
    return [brief for brief in briefs if not brief.faults]


def count(store: Store, *, runner: Runner) -> Cost:
    """Count what the next run would send, and what that costs; nothing is sent."""
    settings = offsite_settings.read(store.root)
    with sent.opened(store.root / sent.NAME) as noted, references.opened(store) as known:
        captures = _unsent_captures(store, noted, runner)
        known.load(_needs(captures))
        return cost.count(
            _unsent(noted, known), store.contents.open, captures=len(captures), settings=settings
        )


def _unsent(noted: Sent, known: references.References) -> Iterator[bytes]:
    return (digest for digest in known.loaded() if not noted.has(digest))
