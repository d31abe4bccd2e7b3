"""The command `holdstill resume`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.board import tmpfs, undo_log
from holdstill.cli import consoles, options
from holdstill.model.layout import Record
from holdstill.system.clocks import SystemClock
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import recovery

if TYPE_CHECKING:
    from pathlib import Path


class ResumeOutput(Record, frozen=True, kw_only=True):
    """What `resume --json` prints: what was put back, in words."""

    put_back: list[str]


@click.command("resume", short_help="Undo what a killed run left paused.")
@options.settings_option(options.BOARD_SETTINGS)
@options.json_option
def command(settings_path: Path, *, as_json: bool) -> None:
    r"""Thaw and resume whatever a run that was killed has left held. Harmless at any other time.

    The service does this whenever it ends, and every capture before it begins.

    \b
    Example:
      holdstill resume
    """
    settings = options.read_board_settings(settings_path)
    with undo_log.opened(tmpfs.choose(settings.spool)) as pending:
        done = recovery.put_back(pending, machine=BoundedRunner(), clock=SystemClock())
    if as_json:
        options.print_json(ResumeOutput(put_back=list(done)))
        return
    out = consoles.console()
    for what in done:
        out.print(f"put back: {what}")
    if not done:
        out.print("nothing was left held")
