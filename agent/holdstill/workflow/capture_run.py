"""What a capture holds open from its first step to its last."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import followed_files, health, tmpfs, undo_log
from holdstill.board import spool as spools
from holdstill.errors import (
    DegradedError,
    NightOverError,
    PreflightError,
    SecurityError,
    UsageError,
)
from holdstill.keeper import retention
from holdstill.model import line_settings
from holdstill.model.sizes import human
from holdstill.records import signature
from holdstill.system import clocks
from holdstill.workflow import capture_scope, capture_stages, check_completeness, recovery
from holdstill.workflow.capture_method import CaptureMethod
from holdstill.workflow.delivery import Deliveries, Delivery, TransferStats
from holdstill.workflow.line_meter import LineMeter
from holdstill.workflow.round_progress import RoundProgress
from holdstill.workflow.upload import Uploader
from holdstill.workflow.upload_followed import FollowedUploader
from holdstill.workflow.upload_pieces import PieceUploader

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager

    from holdstill.board.all_day import AllDay
    from holdstill.board.followed_files import FollowedFiles
    from holdstill.board.health_report import Health
    from holdstill.board.service_control import HookRunner
    from holdstill.board.spool import Spool
    from holdstill.board.undo_log import UndoLog
    from holdstill.model.finding import Finding
    from holdstill.model.protocol import Hello, RunStarted
    from holdstill.model.settings import BoardSettings
    from holdstill.records.index_queries import Index
    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner
    from holdstill.workflow.board_state import BoardState
    from holdstill.workflow.capture_scope import CaptureScope, OpenTrees
    from holdstill.workflow.ports import BulkTransfer, Keeper, Progress


@dataclass(frozen=True)
class CaptureDependencies:
    """The outside world, as a capture reaches it.

    Attributes:
        all_day: keeps, from run to run, what is known of large files; None if nothing does.
        check_time: raises NightOverError when the run may not go on.
    """

    keeper: Keeper
    transfer: BulkTransfer
    runner: HookRunner
    clock: Clock
    progress: Progress
    all_day: AllDay | None = None
    check_time: Callable[[], None] = lambda: None


@dataclass(frozen=True)
class CaptureRun:
    """One run: open files and connections, all of them closed when the run ends.

    Attributes:
        hello: what the keeper said of itself, and of the room that this board has there today.
        round_progress: is told of what is copied, part by part, and tells of the whole.
        followed: large files of which a pause takes only what changed.
        started: the keeper's answer: sequence number, staging, the previous capture.
        health: of the card, before anything was copied.
        findings: of the check for completeness, before anything was copied.
        warnings: of an earlier run that was killed, and of the card.
        meter: measures the line to the keeper.
        begun_at: when, by the clock that is never set.
        notes: what is odd about the keeper's captures, or about the two clocks.
    """

    scope: CaptureScope
    outside: CaptureDependencies
    state: BoardState
    undo_log: UndoLog
    spool: Spool
    hello: Hello
    started: RunStarted
    index: Index
    followed: FollowedFiles
    trees: OpenTrees
    uploader: Uploader
    followed_uploader: FollowedUploader
    meter: LineMeter
    health: Health
    findings: tuple[Finding, ...]
    warnings: tuple[str, ...]
    round_progress: RoundProgress
    begun_at: float
    notes: tuple[str, ...] = ()

    @property
    def settings(self) -> BoardSettings:
        """The board's settings."""
        return self.scope.settings

    @property
    def seq(self) -> int:
        """The capture's sequence number, with which changed rows of the index are marked."""
        return self.started.seq

    @property
    def last_known(self) -> int:
        """The number of the last capture that this machine knows to be sealed; 0 for none."""
        return _last_known(self.settings, self.state, self.started)


def _last_known(settings: BoardSettings, state: BoardState, started: RunStarted) -> int:
    return state.last_known(settings.board, str(settings.keeper), started)


@contextmanager
def begun(
    scope: CaptureScope, state: BoardState, outside: CaptureDependencies
) -> Iterator[CaptureRun]:
    """Hold everything that a run needs; without a seal, the keeper abandons it.

    Raises:
        PreflightError: an earlier run left something that cannot be undone.
        UsageError: this key is enrolled for another board.
    """
    settings = scope.settings
    memory = tmpfs.choose(settings.spool)
    begun_at = outside.clock.monotonic()
    with ExitStack() as undo:
        log = undo.enter_context(undo_log.opened(memory))
        left_over = _put_back(log, outside)
        limit = spools.limit_for(memory, settings.pause.spool_share)
        spool = undo.enter_context(spools.Spool(memory, limit))
        outside.progress.step(capture_stages.ASKING)
        hello = outside.keeper.hello()
        _check_board(hello, settings)
        check_key(hello, settings, outside.runner)
        started = outside.keeper.begin(state.word())
        undo.callback(outside.keeper.abandon)
        check_number(started, state)
        index = undo.enter_context(state.index())
        followed = undo.enter_context(_followed(scope, outside))
        trees = undo.enter_context(
            capture_scope.open_trees(scope, state, spool.directory, outside.clock, followed)
        )
        of_round = RoundProgress(outside.progress)
        meter = _meter(settings, state, outside)
        uploader, followed_uploader = _uploaders(
            scope, outside, state, started, spool, followed, of_round, meter
        )
        card = health.read_health(scope.board, outside.runner)
        findings = check_completeness.check(settings, scope.board, scope.chosen).findings
        warnings = [f"an earlier run had left behind: {what}" for what in left_over]
        notes = (
            stranger(started, _last_known(settings, state, started)),
            clocks_apart(hello, outside),
            known_damage(hello),
        )
        run = CaptureRun(
            scope, outside, state, log, spool, hello, started, index, followed, trees,
            uploader, followed_uploader, meter, card, findings, (*warnings, *card.warnings),
            of_round, begun_at, tuple(filter(None, notes)),
        )  # fmt: skip
        undo.callback(_remember_rate, run)
        try:
            yield run
        except NightOverError as over:
            raise NightOverError(f"{over}: {_sent_so_far(run)}", hint=over.hint) from over


def _meter(settings: BoardSettings, state: BoardState, outside: CaptureDependencies) -> LineMeter:
    """Return a meter that begins with what is known of the line."""
    known = filter(None, (state.line.rate, float(line_settings.least_limit(settings.line))))
    return LineMeter(outside.clock, min(known, default=0.0))


def _remember_rate(run: CaptureRun) -> None:
    """Remember how fast the line was, whether or not a capture was sealed over it."""
    if run.meter.measured:
        at = clocks.rfc3339(run.outside.clock.now())
        seen = msgspec.structs.replace(run.state.line, rate=run.meter.measured, at=at)
        with suppress(OSError):  # a full card: it is measured again
            run.state.save_line(seen)


def remember_sent(run: CaptureRun) -> None:
    """Remember what a capture that is sealed now has sent."""
    stats = run.uploader.stats
    seen = msgspec.structs.replace(
        run.state.line, sent=stats.wire_bytes,
        compressed=stats.compressed_bytes, compressed_to=stats.compressed_wire,
    )  # fmt: skip
    with suppress(OSError):  # sealed it is
        run.state.save_line(seen)


def _sent_so_far(run: CaptureRun) -> str:
    """Say what of a run that ends here is at the keeper, and what was still to be sent."""
    left = sum(run.index.pending_totals(part)[1] for part in run.index.parts())
    rest = f", {human(left)} were still to be read" if left else ""
    return f"{human(run.uploader.stats.new_bytes)} were sent tonight and are kept{rest}"


def _followed(
    scope: CaptureScope, outside: CaptureDependencies
) -> AbstractContextManager[FollowedFiles]:
    frozen = {
        part.number: part.mount
        for part in scope.parts(CaptureMethod.FROZEN)
        if part.mount is not None
    }
    return followed_files.opened(frozen, scope.settings.state, outside.clock, outside.all_day)


def _uploaders(
    scope: CaptureScope,
    outside: CaptureDependencies,
    state: BoardState,
    started: RunStarted,
    spool: Spool,
    files: FollowedFiles,
    of_round: RoundProgress,
    meter: LineMeter,
) -> tuple[Uploader, FollowedUploader]:
    stats = TransferStats()

    def delivery() -> Delivery:
        return Delivery(
            keeper=outside.keeper, transfer=outside.transfer, run=started, stats=stats,
            clock=outside.clock, meter=meter, compress=scope.settings.line.compress,
        )  # fmt: skip

    deliveries = Deliveries(delivery)
    pieces_up = PieceUploader(
        deliveries=deliveries, memory=spool.directory, stats=stats, meter=meter
    )
    whole = Uploader(
        keeper=outside.keeper,
        deliveries=deliveries,
        run=started,
        progress=of_round,
        pieces_up=pieces_up,
        lists=state,
        stats=stats,
        meter=meter,
    )
    followed = FollowedUploader(
        whole=whole, pieces_up=pieces_up, lists=state, seq=started.seq, stats=stats, followed=files
    )
    return whole, followed


def _check_board(hello: Hello, settings: BoardSettings) -> None:
    """Check that the keeper means the same board, before anything is sent or paused.

    Raises:
        UsageError: this key was enrolled for another board.
    """
    if hello.board != settings.board:
        raise UsageError(
            f"the settings are of board {settings.board}, and the keeper knows this key as board "
            f"{hello.board}'s",
            hint="correct `board` in the settings, or enrol this board with a key of its own",
        )


def check_key(hello: Hello, settings: BoardSettings, runner: Runner) -> None:
    """Check that the keeper would take what this key signs, before anything is sent or paused.

    Raises:
        SecurityError: it would not.
    """
    if hello.keys and signature.public_half(settings.key, runner) not in hello.keys:
        raise SecurityError(
            f"the keeper takes no capture of board {settings.board} that {settings.key} signed: "
            "the key was withdrawn or replaced there",
            hint="if this is the board that is meant, enrol this key at the keeper: `holdstill "
            f"keeper enrol STORE {settings.board} --key {settings.key.name}.pub --replace-key`; a "
            "withdrawn key does not come back, then make another one with `holdstill setup`",
        )


def check_number(started: RunStarted, state: BoardState) -> None:
    """Check that a keeper which builds on our last capture also numbers on from it.

    The board's index marks with that number which contents a keeper may still lack. A smaller
    one would mark changes of this run as long sealed, and they would never be sent.

    Raises:
        SecurityError: it does not.
    """
    last = state.last
    if last.manifest and started.previous == last.manifest and started.seq <= last.seq:
        raise SecurityError(
            f"the keeper wants to seal capture {started.seq} after capture {last.seq}",
            hint="nothing was sent; `holdstill list` at the keeper shows what it has, and whether "
            "its ledger was put back to an older state",
        )


def stranger(started: RunStarted, known: int) -> str:
    """Say that somebody else has sealed captures of this board; "" if nobody has.

    A rebuilt card does not know of its own last capture: for that, this is no fault. Say as well
    that the keeper knows of fewer captures.

    Args:
        started: the keeper's answer.
        known: the number of the last capture that this machine knows to be sealed; 0 for none.
    """
    if not known or started.seq == known + 1:
        return ""
    if started.seq <= known:
        return (
            f"the keeper goes on from capture {started.seq - 1} of this board, which has brought "
            f"{known}: captures were lost there, or its store is another one, or was put back "
            "from an older copy; `holdstill status` there says so as well"
        )
    return (
        f"the keeper has capture {started.seq - 1} of this board, and this machine knows of "
        f"{known}. With an old card put back that is as it should be; if it is said again, "
        "another machine uses this board's key: give each a name and a key of its own (move the "
        "key away on one of them, then `holdstill setup --replace` there)"
    )


def clocks_apart(hello: Hello, outside: CaptureDependencies) -> str:
    """Say that the clocks of board and keeper show days that are far apart; "" if not."""
    here = outside.clock.now()
    if not retention.are_apart(hello.now, here):
        return ""
    return (
        f"the clock of this board shows {clocks.rfc3339(here)}, that of the keeper {hello.now}: "
        "retention does not go by the date of this capture. Set the one that is wrong "
        "(`timedatectl` shows it)"
    )


def known_damage(hello: Hello) -> str:
    """Say that contents of the capture before are known to be damaged at the keeper."""
    if hello.newest is None or not hello.newest.damaged_at:
        return ""
    return (
        f"the keeper found contents of capture {hello.newest.name} damaged "
        f"({hello.newest.damaged_at}), and this one needs those of them that did not change: "
        "`holdstill verify --repair` there takes them out, and the next capture after that sends "
        "them again; `holdstill verify` then says so"
    )


def _put_back(log: UndoLog, outside: CaptureDependencies) -> tuple[str, ...]:
    """Undo what a killed run has left, before anything new is paused.

    Raises:
        PreflightError: something cannot be undone; a person must check it.
    """
    try:
        return recovery.put_back(log, machine=outside.runner, clock=outside.clock)
    except DegradedError as error:
        raise PreflightError(
            f"an earlier run left something that cannot be put back: {error}", hint=error.hint
        ) from error
