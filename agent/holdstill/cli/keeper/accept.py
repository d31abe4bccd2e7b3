"""The command `holdstill keeper accept`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, local_store, terminal
from holdstill.keeper import account_captures, capture_notes
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner


@click.command("accept", short_help="Accept a damaged ledger, or a lost board.")
@click.argument("store", type=click.Path(path_type=Path))
@click.argument("board")
@click.option("--reason", required=True, help="What happened; it is written into the ledger.")
def command(store: Path, board: str, reason: str) -> None:
    r"""Continue with a board whose ledger was damaged, once you know the cause.

    A ledger that does not add up may be an attacker's work. Nothing of the board is sealed or
    deleted until its owner has looked, and says so with this command. Captures in its folder that
    the ledger does not have need to be moved out first.

    Of a board whose folder is gone it says that board and captures are to be forgotten: until then
    nothing of anybody's is deleted.

    \b
    Example:
      holdstill keeper accept /srv/holdstill pier-3 --reason "disk restored"
    """
    opened = as_owner.opened(store)
    if board in opened.lost_boards():
        account_captures.forget_board(opened, names.check_board(board))
        terminal.say(f"{board} is forgotten: {reason}")
        return
    name = local_store.enrolled(opened, board)
    BoardCaptures(opened, name, LocalRunner()).check_no_strangers()
    capture_notes.accept(opened, name, reason, clock=SystemClock())
    terminal.say(f"{name} goes on with its ledger as it is; the reason is noted in it")
