"""The command `holdstill status`."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import click

from holdstill import errors
from holdstill.board import tmpfs
from holdstill.cli import consoles, options, tables, terminal
from holdstill.errors import DegradedError, PreflightError, UsageError
from holdstill.keeper.store import open_store
from holdstill.model.sizes import counted, human
from holdstill.notify.recipients import AppriseRecipients
from holdstill.schedule import state_file
from holdstill.schedule.zone import LocalZone
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import board_status, silence

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.cli.consoles import Console
    from holdstill.workflow.board_status import BoardStatus
    from holdstill.workflow.silence import Look


@click.command("status", short_help="Show how this board or keeper is doing.")
@options.settings_option(options.BOARD_SETTINGS)
@options.keeper_settings_option
@options.json_option
def command(settings_path: Path, *, keeper_path: Path, as_json: bool) -> int:
    r"""Show the state of this board, or this keeper: the last capture, what is due, what is wrong.

    Exit code 0 means that all is well, 8 that something needs attention; any other is that of
    the board's last run, which failed.

    \b
    Example:
      holdstill status
    """
    is_board, is_keeper = _is_there(settings_path), _is_there(keeper_path)
    if is_board and is_keeper and not os.access(settings_path, os.R_OK):
        terminal.warn("holdstill: how this machine stands as a board, root may ask")
        is_board = False
    if not is_board and not is_keeper:
        raise UsageError(
            f"neither {settings_path} nor {keeper_path} is there",
            hint="this machine is no board and no keeper yet; --settings names another file",
        )
    board = _board_standing(settings_path) if is_board else None
    looked: Look | None = None
    alarms: tuple[str, ...] = ()
    if is_keeper:
        settings = options.read_keeper_settings(keeper_path)
        opened = open_store(settings.store)
        looked = silence.look_at(opened, settings, clock=SystemClock(), runner=LocalRunner())
        people = AppriseRecipients(settings.notify.urls_file, LocalRunner())
        alarms = silence.alarm_troubles(opened, people)
    code = errors.worst(
        (
            board.code if board else 0,
            looked.exit_code if looked else 0,
            DegradedError.exit_code if alarms else 0,
        )
    )
    if as_json:
        options.print_json(
            {"board": board, "keeper": looked.boards if looked else (),
             "store": looked.store if looked else (), "alarms": alarms, "exit_code": code}
        )  # fmt: skip
    else:
        out = consoles.console()
        if board is not None:
            _show_board(board, out)
        if looked is not None:
            tables.keeper_look(looked, out)
        for trouble in alarms:
            out.print(f"NEEDS A LOOK: {trouble}")
    return code


def _is_there(path: Path) -> bool:
    """Whether a file is there.

    Raises:
        PreflightError: this user may not read it.
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
    _is_there(settings.state / state_file.NIGHTS)
    place = tmpfs.choose(settings.spool)
    people = AppriseRecipients(settings.notify.urls_file, LocalRunner())
    return board_status.read_status(
        settings, place=place, now=SystemClock().now(), zone=LocalZone()(),
        complaint=people.complaint(),
    )  # fmt: skip


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
    if board.live and (cost := board.live.all_day):
        out.print(
            f"all day:      {counted(cost.files, 'large file')} followed, for "
            f"{cost.cpu_seconds:g} s of the processor in {cost.seconds / 3600:.1f} h and "
            f"{human(cost.memory)} of memory"
        )
    for finding in board.findings:
        out.print(f"NEEDS A LOOK: {finding.text}", style="yellow")
    if board.last is not None and board.last.hint:
        out.print(f"what to do:   {board.last.hint}")
