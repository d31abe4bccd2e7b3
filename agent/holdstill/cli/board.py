"""Commands for the board: inspect, capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.board import rules
from holdstill.cli import options, render
from holdstill.workflow import inspect as workflow_inspect

if TYPE_CHECKING:
    from pathlib import Path


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
    found = workflow_inspect.inspect(
        settings,
        ask_keeper=None if offline else None,
        excluded=(*rules.DEFAULT_EXCLUDES, *settings.exclude),
    )
    if as_json:
        options.print_json(found)
        return
    render.inspection(found, render.console())


COMMANDS = (inspect,)
