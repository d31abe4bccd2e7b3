"""The command `holdstill unpin`."""

from __future__ import annotations

import click

from holdstill.cli import open_capture, options, terminal
from holdstill.keeper import capture_notes
from holdstill.system.clocks import SystemClock


@click.command("unpin", short_help="Let retention decide on a capture again.")
@click.argument("capture", metavar="BOARD/CAPTURE")
@options.store_option
def command(capture: str, store_address: str | None) -> None:
    r"""Let retention decide about a capture again.

    \b
    Example:
      holdstill unpin pier-3/000042 --store /srv/holdstill
    """
    opened, board, name = open_capture.named(store_address, capture)
    capture_notes.unpin(opened, board, name, clock=SystemClock())
    terminal.say(f"retention decides about {board}/{name} again")
