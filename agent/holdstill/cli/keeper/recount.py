"""The command `holdstill keeper recount`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, terminal
from holdstill.errors import VerificationError
from holdstill.keeper import account_captures


@click.command("recount", short_help="Count anew what the captures need.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
def command(store: Path) -> int:
    r"""Read the indexes of all captures again, and count anew which contents they need.

    That is all that references.sqlite holds, and thinning deletes by it. Captures may arrive
    meanwhile. Exit code 7: something cannot be read, and until it can nothing is deleted.

    \b
    Example:
      holdstill keeper recount /srv/holdstill
    """
    opened = as_owner.opened(store)
    complaints = account_captures.recount(opened)
    terminal.warn(*complaints)
    if complaints:
        terminal.warn("what to do: mend these, or have `holdstill verify` say more; then again")
        return VerificationError.exit_code
    terminal.say(f"{opened.root}: what each capture needs was counted anew")
    return 0
