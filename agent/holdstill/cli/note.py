"""The command `holdstill note`."""

from __future__ import annotations

import click

from holdstill.cli import as_owner, completion, options, terminal
from holdstill.keeper import capture_notes
from holdstill.model.layout import Record
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref


class NoteOutput(Record, frozen=True, kw_only=True):
    """What `note --json` prints."""

    board: str
    capture: str
    note: str


@click.command("note", short_help="Note something about a capture.")
@click.argument("capture", metavar="BOARD/CAPTURE", shell_complete=completion.captures)
@click.argument("text")
@options.store_option
@options.json_option
def command(capture: str, text: str, store_address: str | None, *, as_json: bool) -> None:
    r"""Note something about a capture, for `list --long` and `show`. An empty text takes it back.

    A note takes the place of the one before, which the ledger keeps. It is a line of at most 200
    characters, and whoever may read the capture can read it.

    \b
    Example:
      holdstill note pier-3/latest "before the upgrade"
    """
    opened = as_owner.opened_at(store_address)
    found = capture_ref.find(opened, capture, runner=LocalRunner())
    board, name = found.board, str(found.name)
    capture_notes.note(opened, board, name, text, clock=SystemClock())
    if as_json:
        options.print_json(NoteOutput(board=board, capture=name, note=text))
        return
    terminal.say(f"{board}/{name}: {text}" if text else f"{board}/{name} has no note any more")
