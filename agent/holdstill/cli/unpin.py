"""The command `holdstill unpin`."""

from __future__ import annotations

import click

from holdstill.cli import as_owner, completion, options, terminal
from holdstill.cli.pin import PinOutput
from holdstill.keeper import capture_notes
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref


@click.command("unpin", short_help="Let retention decide on a capture again.")
@click.argument("capture", metavar="BOARD/CAPTURE", shell_complete=completion.captures)
@options.store_option
@options.json_option
def command(capture: str, store_address: str | None, *, as_json: bool) -> None:
    r"""Let retention decide about a capture again.

    \b
    Example:
      holdstill unpin pier-3/000042 --store /srv/holdstill
    """
    opened = as_owner.opened_at(store_address)
    found = capture_ref.find(opened, capture, runner=LocalRunner())
    board, name = found.board, str(found.name)
    capture_notes.unpin(opened, board, name, clock=SystemClock())
    if as_json:
        options.print_json(PinOutput(board=board, capture=name, pinned=False))
        return
    terminal.say(f"retention decides about {board}/{name} again")
