"""The command `holdstill status`."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import click

from holdstill import errors
from holdstill.board import tmpfs
from holdstill.cli import consoles, keeper_status, options, terminal
from holdstill.cli.columns import Column, Table
from holdstill.errors import DegradedError, PreflightError, UsageError
from holdstill.keeper.store import open_store
from holdstill.model.layout import Record
from holdstill.model.sizes import counted, human
from holdstill.notify.recipients import AppriseRecipients
from holdstill.schedule import state_file
from holdstill.schedule.zone import LocalZone
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import board_status, silence
from holdstill.workflow.board_status import BoardStatus
from holdstill.workflow.silence import BoardSilence

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.cli.consoles import Console
    from holdstill.workflow.silence import Look


class StatusOutput(Record, frozen=True, kw_only=True):
    """What `status --json` prints; None and nothing where this machine is no board, no keeper."""

    board: BoardStatus | None
    keeper: tuple[BoardSilence, ...]
    store: tuple[str, ...]
    free_bytes: int
    total_bytes: int
    alarms: tuple[str, ...]
    exit_code: int


@click.command("status", short_help="Show how this board or keeper is doing.")
@options.settings_option(options.BOARD_SETTINGS)
@options.keeper_settings_option
@click.option("--group", default="", help="Of the keeper, only the boards of this group.")
@options.long_option
@options.json_option
def command(
    settings_path: Path, *, keeper_path: Path, group: str, is_long: bool, as_json: bool
) -> int:
    r"""Show the state of this board, or this keeper: a verdict, what is wrong, and what to do.

    Of a keeper with many boards, those that are well are counted; --long lists them all.

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
        if group:
            looked = silence.of_group(looked, group, settings)
        people = AppriseRecipients(settings.notify.urls_file, LocalRunner())
        alarms = silence.alarm_troubles(opened, people)
    code = errors.worst(
        (
            board.code if board else 0,
            looked.exit_code if looked else 0,
            DegradedError.exit_code if alarms or _is_in_doubt(looked) else 0,
        )
    )
    if as_json:
        options.print_json(
            StatusOutput(
                board=board,
                keeper=looked.boards if looked else (),
                store=looked.store if looked else (),
                free_bytes=looked.free_bytes if looked else 0,
                total_bytes=looked.total_bytes if looked else 0,
                alarms=alarms,
                exit_code=code,
            )
        )
        return code
    out = consoles.console()
    if board is not None:
        _show_board(board, out)
    if looked is not None:
        if board is not None:
            out.print()
        keeper_status.show(looked, out, alarms=alarms, is_long=is_long)
    return code


def _is_in_doubt(looked: Look | None) -> bool:
    """Whether a card of some board would not boot, which is no alarm if none ever would."""
    return looked is not None and any(state.never_boots for state in looked.boards)


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
    out.print(_verdict(board), style="yellow" if board.findings else "green")
    for finding in board.findings:
        out.print(f"NEEDS A LOOK: {finding.text}", style="yellow")
    phase = f"{board.live.phase}" if board.live else "not running"
    step = f": {board.live.step}" if board.live and board.live.step else ""
    rows = Table(Column("board"), Column(board.board))
    rows.add_row("keeper", board.keeper)
    rows.add_row("daemon", f"{phase}{step}")
    rows.add_row("next run", board.due or "not known before the clock is set")
    rows.add_row("last capture", board.sealed_at or "none yet")
    if board.last is not None:
        rows.add_row("last run", f"{board.last.at}, {board.last.what}")
    if board.line is not None:
        rows.add_row("line", board.line.words)
    rows.add_row("card", board.card)
    if board.live and (cost := board.live.all_day):
        followed = (
            f"{counted(cost.files, 'large file')} followed, for {cost.cpu_seconds:g} s of the "
            f"processor in {cost.seconds / 3600:.1f} h and {human(cost.memory)} of memory"
        )
        rows.add_row("all day", followed)
    out.print(rows)
    out.print(f"what to do: {_what_to_do(board)}")


def _verdict(board: BoardStatus) -> str:
    if not board.findings:
        return f"{board.board}: all is well"
    return f"{board.board}: SOMEBODY HAS TO LOOK at {counted(len(board.findings), 'thing')}"


def _what_to_do(board: BoardStatus) -> str:
    if not board.findings:
        return "nothing"
    if board.last is not None and board.last.hint:
        return board.last.hint
    if not board.is_running:
        return (
            "start the daemon: `systemctl enable --now holdstill-nightly`; `journalctl -u "
            "holdstill-nightly` says why it is not running"
        )
    return "what the lines above say; `journalctl -u holdstill-nightly` has more"
