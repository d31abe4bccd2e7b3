"""The command `holdstill capture`."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

import click

from holdstill.cli import consoles, options, progress, tables, wiring
from holdstill.errors import BusyError, DegradedError, HoldstillError
from holdstill.system import clocks
from holdstill.system.clocks import SystemClock
from holdstill.workflow import board_state, capture
from holdstill.workflow.board_state import FailedCapture

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
    try:
        with (
            progress.reporting(err) as reporter,
            wiring.capture_means(settings, reporter) as means,
        ):
            report = capture.capture(settings, means)
    except BusyError:
        raise  # the run that is active will say how it went
    except HoldstillError as error:
        _remember(settings.state, error)
        raise
    if as_json:
        options.print_json(report)
    else:
        tables.capture_report(report, consoles.console())
    return DegradedError.exit_code if report.is_degraded else 0


def _remember(state: Path, error: HoldstillError) -> None:
    """Have `status` tell of a capture that failed."""
    now = clocks.rfc3339(SystemClock().now())
    failed = FailedCapture(at=now, code=error.exit_code, what=str(error), hint=error.hint)
    with suppress(OSError):  # what went wrong is told here in any case
        board_state.save_failure(state, failed)
