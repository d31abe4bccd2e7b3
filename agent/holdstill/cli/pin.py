"""The command `holdstill pin`."""

from __future__ import annotations

import click

from holdstill.cli import open_capture, options, terminal
from holdstill.keeper import capture_notes
from holdstill.system.clocks import SystemClock


@click.command("pin", short_help="Keep a capture whatever retention says.")
@click.argument("capture", metavar="BOARD/CAPTURE")
@options.store_option
def command(capture: str, store_address: str | None) -> None:
    r"""Keep a capture whatever retention says.

    \b
    Example:
      holdstill pin pier-3/000042 --store /srv/holdstill
    """
    opened, board, name = open_capture.named(store_address, capture)
    capture_notes.pin(opened, board, name, clock=SystemClock())
    terminal.say(f"{board}/{name} stays, whatever the retention")
