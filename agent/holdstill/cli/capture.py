"""The command `holdstill capture`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.cli import consoles, options, progress, tables, wiring
from holdstill.errors import DegradedError
from holdstill.workflow import capture

if TYPE_CHECKING:
    from pathlib import Path


@click.command("capture", short_help="Take one capture of this board now.")
@options.settings_option(options.BOARD_SETTINGS)
@options.json_option
def command(settings_path: Path, *, as_json: bool) -> int:
    r"""Take one capture of this board and seal it at the keeper.

    Services run on; the file systems are frozen for a fraction of a second at the end. Exit code
    8 means that the capture is sealed, but that something needs attention.

    \b
    Example:
      holdstill capture --settings /etc/holdstill/board.yaml
    """
    settings = options.read_board_settings(settings_path)
    err = consoles.console(is_error=True)
    with progress.reporting(err) as reporter, wiring.capture_means(settings, reporter) as means:
        report = capture.capture(settings, means)
    if as_json:
        options.print_json(report)
    else:
        tables.capture_report(report, consoles.console())
    return DegradedError.exit_code if report.is_degraded else 0
