"""The command `holdstill keeper accept`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, local_store, terminal
from holdstill.keeper import capture_notes
from holdstill.system.clocks import SystemClock


@click.command("accept", short_help="Accept a ledger that was damaged.")
@click.argument("store", type=click.Path(path_type=Path))
@click.argument("board")
@click.option("--reason", required=True, help="What happened; it is written into the ledger.")
def command(store: Path, board: str, reason: str) -> None:
    r"""Continue with a board whose ledger was damaged, once you know the cause.

    A ledger that does not add up may be an attacker's work. Nothing of the board is sealed or
    deleted until its owner has looked, and says so with this command.

    \b
    Example:
      holdstill keeper accept /srv/holdstill pier-3 --reason "disk restored"
    """
    opened = as_owner.opened(store)
    name = local_store.enrolled(opened, board)
    capture_notes.accept(opened, name, reason, clock=SystemClock())
    terminal.say(f"{name} goes on with its ledger as it is; the reason is noted in it")
