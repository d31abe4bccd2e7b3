"""The command `holdstill thin`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from holdstill.cli import open_capture, options, tables, terminal
from holdstill.keeper import garbage, thin
from holdstill.model import names, sizes
from holdstill.model.settings import Retention
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner

if TYPE_CHECKING:
    from pathlib import Path


@click.command("thin", short_help="Delete captures that are not to be kept.")
@click.argument("board", required=False)
@click.option("--apply", "is_applied", is_flag=True, help="Do it. Without this, only say what.")
@options.settings_option(options.KEEPER_SETTINGS)
@options.store_option
@options.json_option
def command(
    board: str | None,
    *,
    is_applied: bool,
    settings_path: Path,
    store_address: str | None,
    as_json: bool,
) -> None:
    r"""Delete captures that retention does not keep; without --apply only list them.

    The newest good capture, pinned ones, and those with a date that cannot be trusted stay. A
    board whose captures look tampered with is left alone.

    \b
    Examples:
      holdstill thin pier-3
      holdstill thin --apply
    """
    opened = open_capture.open_local(store_address)
    rule = (
        options.read_keeper_settings(settings_path).retention
        if settings_path.exists()
        else (Retention())
    )
    boards = (names.check_board(board),) if board else opened.boards()
    deed = thin.delete_captures if is_applied else thin.plan
    clock, runner = SystemClock(), LocalRunner()
    verdicts = {name: deed(opened, name, rule, clock=clock, runner=runner) for name in boards}
    swept = garbage.collect(opened, clock=clock) if is_applied else None
    if as_json:
        options.print_json({"verdicts": verdicts, "swept": swept})
        return
    tables.verdicts(verdicts, terminal.console(), is_applied=is_applied)
    if swept is not None:
        terminal.say(
            f"{sizes.human(swept.bytes)} given back, {sizes.counted(swept.contents, 'content')}"
        )
    elif sys.stdout.isatty():
        terminal.say("nothing was deleted; --apply does it")
