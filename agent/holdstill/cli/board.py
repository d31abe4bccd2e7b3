"""Commands for the board: inspect, capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from rich.console import Console

from holdstill.board import path_filter, tmpfs, undo_log
from holdstill.cli import options, progress, tables, wiring
from holdstill.errors import DegradedError
from holdstill.system.clocks import SystemClock
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import capture as workflow_capture
from holdstill.workflow import inspect as workflow_inspect
from holdstill.workflow import recovery

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.protocol import Hello


@click.command()
@options.settings_option(options.BOARD_SETTINGS)
@click.option("--offline", is_flag=True, help="Do not ask the keeper how it is.")
@options.json_option
def inspect(settings_path: Path, *, offline: bool, as_json: bool) -> None:
    r"""Show what this board is made of and what a capture would hold. Changes nothing.

    \b
    Example:
      holdstill inspect --settings /etc/holdstill/board.yaml
    """
    settings = options.read_board_settings(settings_path)

    def ask_keeper() -> Hello:
        with wiring.reached_keeper(settings) as keeper:
            return keeper.hello()

    found = workflow_inspect.inspect(
        settings,
        ask_keeper=None if offline else ask_keeper,
        excluded=(*path_filter.DEFAULT_EXCLUDES, *settings.exclude),
        machine=BoundedRunner(),
    )
    if as_json:
        options.print_json(found)
        return
    tables.inspection(found, tables.console())


@click.command()
@options.settings_option(options.BOARD_SETTINGS)
@options.json_option
def capture(settings_path: Path, *, as_json: bool) -> int:
    r"""Take one capture of this board and seal it at the keeper.

    Services run on; the file systems are frozen for a fraction of a second at the end. Exit code
    8 says that the capture is sealed, but that something needs attention.

    \b
    Example:
      holdstill capture --settings /etc/holdstill/board.yaml
    """
    settings = options.read_board_settings(settings_path)
    err = Console(stderr=True)
    with progress.telling(err) as teller, wiring.capture_means(settings, teller) as means:
        report = workflow_capture.capture(settings, means)
    if as_json:
        options.print_json(report)
    else:
        tables.capture_report(report, tables.console())
    return DegradedError.exit_code if report.is_degraded else 0


@click.command()
@options.settings_option(options.BOARD_SETTINGS)
def resume(settings_path: Path) -> None:
    r"""Thaw and resume whatever a run that was killed has left held. Harmless at any other time.

    The service does this whenever it ends, and every capture before it begins.

    \b
    Example:
      holdstill resume
    """
    settings = options.read_board_settings(settings_path)
    with undo_log.opened(tmpfs.choose(settings.spool)) as debts:
        done = recovery.put_back(debts, machine=BoundedRunner(), clock=SystemClock())
    out = tables.console()
    for what in done:
        out.print(f"put back: {what}")
    if not done:
        out.print("nothing was left held")


COMMANDS = (inspect, capture, resume)
