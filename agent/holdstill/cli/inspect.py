"""The command `holdstill inspect`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.board import path_filter
from holdstill.cli import consoles, options, tables, wiring
from holdstill.errors import PreflightError
from holdstill.schedule.zone import LocalZone
from holdstill.system.clocks import SystemClock
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import inspect

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.protocol import Hello


@click.command("inspect", short_help="Show this board and what a capture holds.")
@options.settings_option(options.BOARD_SETTINGS)
@click.option("--offline", is_flag=True, help="Do not ask the keeper how it is.")
@options.json_option
def command(settings_path: Path, *, offline: bool, as_json: bool) -> int:
    r"""Show what this board is made of and what a capture would hold. Changes nothing.

    Exit code 4: a capture would be refused now, and the last lines say why: a partition cannot be
    captured as it is, / is on none of these disks, or the store is on the captured card itself.

    \b
    Example:
      holdstill inspect --settings /etc/holdstill/board.yaml
    """
    settings = options.read_board_settings(settings_path)

    def ask_keeper() -> Hello:
        with wiring.reached_keeper(settings) as keeper:
            return keeper.hello()

    found = inspect.inspect(
        settings,
        ask_keeper=None if offline else ask_keeper,
        excluded=(*path_filter.DEFAULT_EXCLUDES, *settings.exclude),
        machine=BoundedRunner(),
        clock=SystemClock(),
        zone=LocalZone()(),
    )
    if as_json:
        options.print_json(found)
    else:
        tables.inspection(found, consoles.console())
    return PreflightError.exit_code if found.is_refused else 0
