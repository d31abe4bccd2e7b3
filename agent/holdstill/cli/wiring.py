"""Builds the real parts: with daemon_wiring the only module that imports all of them."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from holdstill.board import tmpfs
from holdstill.cli import options
from holdstill.cli.board_time import BoardTime
from holdstill.cli.line_rate import LineRate
from holdstill.errors import HoldstillError, LinkError, UsageError
from holdstill.keeper import forced_command, json_rpc, store_owner
from holdstill.keeper.local import LocalKeeper
from holdstill.keeper.remote import RemoteKeeper
from holdstill.keeper.store import open_store
from holdstill.model import names
from holdstill.model.store_address import FolderAddress, HostAddress
from holdstill.schedule.zone import LocalZone
from holdstill.system import termination
from holdstill.system.clocks import SystemClock
from holdstill.system.time_limited import BoundedRunner
from holdstill.transport import link_failure, metered_line, shared_connection
from holdstill.transport.identity import Identity
from holdstill.transport.rate_limit import RateLimit
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from holdstill.workflow import after_capture, before_start
from holdstill.workflow.capture_run import CaptureDependencies
from holdstill.workflow.rejoin import RejoiningKeeper

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.board.all_day import AllDay
    from holdstill.keeper.store import Store
    from holdstill.model.settings import BoardSettings
    from holdstill.system.clocks import Clock
    from holdstill.transport.metered_line import MeteredLine
    from holdstill.workflow.ports import Keeper, Progress


@contextmanager
def capture_means(
    settings: BoardSettings,
    progress: Progress,
    all_day: AllDay | None = None,
    *,
    check_time: Callable[[], None] = lambda: None,
) -> Iterator[CaptureDependencies]:
    """Hold everything that a capture needs to reach its keeper.

    Args:
        settings: the board's.
        progress: is told how it goes.
        all_day: keeps what is known of large files from run to run; None if nothing does.
        check_time: raises NightOverError when the capture may not go on.

    Raises:
        LinkError, SecurityError: the keeper cannot be reached, or is not the pinned one.
    """
    clock = SystemClock()
    address = settings.keeper

    def may_go_on() -> None:
        if termination.is_requested():  # it was raised in the main thread, which waits for others
            raise LinkError("this program was told to end", hint=link_failure.AGAIN)
        check_time()

    with ExitStack() as undo:
        line = undo.enter_context(_line(settings, clock))
        rejoining = RejoiningKeeper(
            lambda: reached_keeper(settings, line),
            clock,
            check_time=may_go_on,
            warn=progress.warn,
        )
        keeper = _checked_keeper(settings, undo, rejoining)
        memory = tmpfs.choose(settings.spool)
        way = RsyncEndpoint()
        if isinstance(address, HostAddress):
            identity = _identity(settings)
            shared = undo.enter_context(
                shared_connection.opened(address, identity, line, memory=memory, clock=clock)
            )
            way = RsyncEndpoint(address, identity, line, shared)
        transfer = RsyncTransfer(way, memory, clock, attempts=1, check_time=may_go_on)
        yield CaptureDependencies(
            keeper, transfer, BoundedRunner(), clock, progress, all_day, check_time
        )


@contextmanager
def _line(settings: BoardSettings, clock: Clock) -> Iterator[MeteredLine | None]:
    """Hold the line that all connections to the keeper share, if there is a limit for them."""
    address = settings.keeper
    if not settings.line.is_limited or not isinstance(address, HostAddress):
        yield None
        return
    rate = LineRate(settings.line, clock, BoardTime(clock, LocalZone()))
    with metered_line.opened(address, RateLimit(clock, rate)) as line:
        yield line


def _checked_keeper(
    settings: BoardSettings, undo: ExitStack, rejoining: RejoiningKeeper
) -> Keeper:
    """Reach the keeper, and look whether anything stands in the way of a capture.

    Raises:
        HoldstillError: something does; of several things, all are told.
    """
    found = before_start.of_board(settings)
    if before_start.of_key(settings.key):  # without it the keeper is not to be asked
        before_start.refuse(found)
    try:
        keeper = undo.enter_context(rejoining)
        found += before_start.of_keeper(keeper.hello())
    except HoldstillError as error:
        # What is known to be wrong here is told once.
        same = any(type(error) is type(other) and str(error) == str(other) for other in found)
        before_start.refuse(found if same else [*found, error])
        raise
    before_start.refuse(found)
    return keeper


@contextmanager
def reached_keeper(settings: BoardSettings, line: MeteredLine | None = None) -> Iterator[Keeper]:
    """Hold the way to the keeper open, for control; the line leads there, if one does."""
    address = settings.keeper
    board = names.check_board(settings.board)
    clock = SystemClock()
    if isinstance(address, HostAddress):
        from holdstill.transport import ssh_session  # noqa: PLC0415  paramiko takes its time

        with ssh_session.connected(
            address, _identity(settings), command=forced_command.CONTROL,
            heartbeat=json_rpc.ALIVE, line=line,
        ) as channel:  # fmt: skip
            yield RemoteKeeper(channel)
        return
    assert isinstance(address, FolderAddress)  # noqa: S101  there are two kinds
    store, runner = _store(address.path), BoundedRunner()
    rules = options.keeper_settings(options.KEEPER_SETTINGS, store.root)
    with LocalKeeper(store, board, clock=clock, runner=runner, settings=rules) as keeper:
        yield keeper
    after_capture.follow_up(store, board, rules, clock=clock, runner=runner)


def _store(path: Path) -> Store:
    """Open the store that the settings name: without it, the keeper cannot be reached."""
    try:
        opened = open_store(path)
    except UsageError as error:
        raise LinkError(str(error), hint=error.hint) from error
    store_owner.check(path, hint=store_owner.BY_SSH)
    return opened


def _identity(settings: BoardSettings) -> Identity:
    return Identity(settings.key, settings.host_keys)
