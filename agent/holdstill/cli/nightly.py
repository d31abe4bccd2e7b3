"""Commands for the nights: the board's daemon, and how board and keeper stand."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.board import identity, tmpfs
from holdstill.board.readiness import BoardReadiness
from holdstill.cli import options, tables, watch, wiring
from holdstill.daemon import DaemonDependencies, Nightly
from holdstill.errors import DegradedError, LinkError, PreflightError, UsageError
from holdstill.keeper import store as keeper_store
from holdstill.model.store_address import FolderAddress
from holdstill.notify import metrics
from holdstill.notify.log import LevelLog
from holdstill.notify.notifier import Notifier
from holdstill.notify.recipients import AppriseRecipients
from holdstill.schedule import state_file
from holdstill.schedule.due_nights import DueNights
from holdstill.schedule.zone import LocalZone
from holdstill.system import termination
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.system.sd_notify import SdNotify
from holdstill.system.termination import TerminationRequested
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import board_state, board_status, silence
from holdstill.workflow import capture as workflow_capture
from holdstill.workflow.attempt import AttemptRunner

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime, tzinfo

    from rich.console import Console

    from holdstill.model.nightly_state import NightlyState
    from holdstill.model.settings import BoardSettings, KeeperSettings
    from holdstill.system.clocks import Clock
    from holdstill.workflow.board_status import BoardStatus
    from holdstill.workflow.capture_report import CaptureReport
    from holdstill.workflow.ports import Progress
    from holdstill.workflow.silence import BoardSilence


@click.command()
@options.settings_option(options.BOARD_SETTINGS)
def nightly(settings_path: Path) -> None:
    r"""Capture this board by itself, night by night, until told to stop. systemd runs this.

    When, and whom to tell how it went, stands in the settings under `nightly` and `notify`. A
    run that was missed is made up for; while the keeper is away it is tried again.

    \b
    Example:
      holdstill nightly --settings /etc/holdstill/board.yaml
    """
    settings = options.read_board_settings(settings_path)
    place = tmpfs.choose(settings.spool)
    with state_file.held(place):
        life = Nightly(settings, _means(settings, settings_path, place))
        try:
            with termination.stoppable():
                life.run()
        except TerminationRequested:
            life.stop()


@dataclass(frozen=True)
class _BoardTime:
    """What this board knows of the time of day."""

    clock: Clock
    local: LocalZone

    def is_trusted(self) -> bool:
        """Whether something has set the clock since boot."""
        return identity.is_clock_trusted(self.clock.now().year)

    def zone(self) -> tzinfo:
        """Return the time zone that is set now."""
        return self.local()


def _means(settings: BoardSettings, settings_path: Path, place: Path) -> DaemonDependencies:
    clock, runner, supervisor = SystemClock(), BoundedRunner(), SdNotify()
    people = AppriseRecipients(settings.notify.urls_file, runner)
    source = _BoardTime(clock, LocalZone())
    lines = LevelLog(sys.stderr)

    def capture(tell: Progress) -> CaptureReport:
        # Read anew each night: a changed hook or exclusion needs no restart.
        current = options.read_board_settings(settings_path)
        _check_medium(current)
        with wiring.capture_means(current, tell) as means:
            return workflow_capture.capture(current, means)

    return DaemonDependencies(
        clock=clock,
        agenda=DueNights(settings, clock, source),
        trier=AttemptRunner(
            clock=clock,
            capture=capture,
            readiness=BoardReadiness(runner),
            supervisor=supervisor,
            is_clock_trusted=source.is_trusted,
            complaint=people.complaint,
            longest=settings.nightly.longest_hours * 3600,
        ),
        herald=Notifier(settings.board, people),
        book=state_file.NightlyStateFile(settings.state),
        window=state_file.LiveStatusFile(place),
        supervisor=supervisor,
        lines=lines,
        last_sealed=lambda: board_state.sealed_at(settings.state),
        publish=_publisher(settings, lines),
    )


def _check_medium(settings: BoardSettings) -> None:
    """See that a store that is a directory is there: its disk may be unplugged for a while.

    Raises:
        LinkError: it is not, which is worth another try.
    """
    address = settings.keeper
    if isinstance(address, FolderAddress) and not (address.path / "store.yaml").is_file():
        raise LinkError(
            f"{address.path} holds no store just now",
            hint="is its disk plugged in, or its share mounted? If there never was a store: "
            f"holdstill keeper init {address.path}",
        )


def _publisher(
    settings: BoardSettings, lines: LevelLog
) -> Callable[[NightlyState, datetime | None], None]:
    complaints: set[str] = set()

    def publish(diary: NightlyState, due: datetime | None) -> None:
        if not settings.notify.metrics_file:
            return
        families = metrics.about_board(settings.board, diary, due=due)
        try:
            metrics.publish(settings.notify.metrics_file, metrics.rendered(families))
        except OSError as error:
            if str(error) not in complaints:  # once is enough: it is asked every few minutes
                complaints.add(str(error))
                lines.warning(f"the numbers for Prometheus cannot be written: {error}")

    return publish


@click.command()
@options.settings_option(options.BOARD_SETTINGS)
@click.option(
    "--keeper-settings",
    "keeper_path",
    type=click.Path(path_type=Path, dir_okay=False, readable=False),
    default=options.KEEPER_SETTINGS,
    show_default=True,
    help="The keeper's settings file, on the host that keeps captures.",
)
@options.json_option
def status(settings_path: Path, *, keeper_path: Path, as_json: bool) -> int:
    r"""Say how this board, or this keeper, stands: the last capture, what is due, what is wrong.

    Exit code 0 says that all is well, 8 that something needs attention; any other is that of
    the board's last run, which failed.

    \b
    Example:
      holdstill status
    """
    is_board, is_keeper = _is_there(settings_path), _is_there(keeper_path)
    if is_board and is_keeper and not os.access(settings_path, os.R_OK):
        click.echo("holdstill: how this machine stands as a board, root may ask", err=True)
        is_board = False
    if not is_board and not is_keeper:
        raise UsageError(
            f"neither {settings_path} nor {keeper_path} is there",
            hint="this machine is no board and no keeper yet; --settings names another file",
        )
    board = _board_standing(settings_path) if is_board else None
    states = _keeper_states(options.read_keeper_settings(keeper_path)) if is_keeper else None
    code = board.code if board else 0
    if code == 0 and any(state.is_silent for state in states or ()):
        code = DegradedError.exit_code
    if as_json:
        options.print_json({"board": board, "keeper": states or (), "exit_code": code})
    else:
        _show(board, states, tables.console())
    return code


def _is_there(path: Path) -> bool:
    """Whether a file is there.

    Raises:
        PreflightError: it is not ours to know.
    """
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except PermissionError as error:
        raise PreflightError(f"{path} is not yours to read", hint="ask as root") from error
    return True


def _board_standing(path: Path) -> BoardStatus:
    settings = options.read_board_settings(path)
    _is_there(settings.state / state_file.DIARY)
    place = tmpfs.choose(settings.spool)
    return board_status.read_status(
        settings, place=place, now=SystemClock().now(), zone=LocalZone()()
    )


def _keeper_states(settings: KeeperSettings) -> tuple[BoardSilence, ...]:
    opened = keeper_store.open_store(settings.store)
    return silence.find_silent(opened, settings.notify, clock=SystemClock(), runner=LocalRunner())


def _show(
    board: BoardStatus | None, states: tuple[BoardSilence, ...] | None, out: Console
) -> None:
    if board is not None:
        _show_board(board, out)
    if states is not None:
        watch.show(states, out)


def _show_board(board: BoardStatus, out: Console) -> None:
    phase = f"{board.live.phase}" if board.live else "not running"
    step = f": {board.live.step}" if board.live and board.live.step else ""
    out.print(f"{board.board}, captured to {board.keeper}")
    out.print(f"daemon:       {phase}{step}")
    out.print(f"next run:     {board.due or 'not known before the clock is set'}")
    out.print(f"last capture: {board.sealed_at or 'none yet'}")
    if board.last is not None:
        out.print(f"last run:     {board.last.at}, {board.last.what}")
    out.print(f"card:         {board.card}")
    if board.unsent:
        out.print(f"{board.unsent} messages could not be delivered yet")
    for finding in board.findings:
        out.print(f"NEEDS A LOOK: {finding.text}", style="yellow")
    if board.last is not None and board.last.hint:
        out.print(f"what to do:   {board.last.hint}")


COMMANDS = (nightly, status)
