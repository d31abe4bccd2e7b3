"""The command `holdstill pin`."""

from __future__ import annotations

import click

from holdstill.cli import as_owner, completion, options, terminal
from holdstill.keeper import capture_notes
from holdstill.model.layout import Record
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref


class PinOutput(Record, frozen=True, kw_only=True):
    """What `pin --json` and `unpin --json` print."""

    board: str
    capture: str
    pinned: bool


@click.command("pin", short_help="Keep a capture whatever retention says.")
@click.argument("capture", metavar="BOARD/CAPTURE", shell_complete=completion.captures)
@options.store_option
@options.json_option
def command(capture: str, store_address: str | None, *, as_json: bool) -> None:
    r"""Keep a capture whatever retention says.

    \b
    Example:
      holdstill pin pier-3/000042 --store /srv/holdstill
    """
    opened = as_owner.opened_at(store_address)
    found = capture_ref.find(opened, capture, runner=LocalRunner())
    board, name = found.board, str(found.name)
    capture_notes.pin(opened, board, name, clock=SystemClock())
    if as_json:
        options.print_json(PinOutput(board=board, capture=name, pinned=True))
        return
    terminal.say(f"{board}/{name} stays, whatever the retention")
