"""The command `holdstill keeper enrol`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, completion, this_program
from holdstill.cli.keeper import public_key
from holdstill.cli.keeper.retire import end_sessions, shut_out
from holdstill.keeper import authorized_keys, enrolment
from holdstill.model import names
from holdstill.system.clocks import SystemClock


@click.command("enrol", short_help="Admit a board with its public key.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@click.argument("board", shell_complete=completion.boards)
@click.option(
    "--key",
    "key_file",
    required=True,
    type=click.Path(path_type=Path, allow_dash=True, readable=False),
    help="The board's public key file (.pub); - for standard input.",
)
@click.option("--from", "sources", default="", help="Accept the key only from these addresses.")
@click.option(
    "--let-in", "lets_in", is_flag=True,
    help="Put the line into ~/.ssh/authorized_keys instead of printing it.",
)  # fmt: skip
@click.option(
    "--replace-key", "replaces", is_flag=True,
    help="Withdraw the key that the board has; this one takes its place.",
)  # fmt: skip
def command(
    store: Path, board: str, key_file: Path, sources: str, *, lets_in: bool, replaces: bool
) -> None:
    r"""Let a board add captures, and print the line for this user's authorized_keys file.

    A board's key can add captures of its own board and read those; nothing else. A board that is
    enrolled with another key is refused, unless --replace-key says that this one is meant.

    \b
    Examples:
      holdstill keeper enrol /srv/holdstill pier-3 --key pier-3.pub
      holdstill keeper enrol /srv/holdstill pier-3 --key pier-3.pub --let-in
      holdstill keeper enrol /srv/holdstill pier-3 --key new.pub --let-in \
        --replace-key
    """
    opened = as_owner.opened(store)
    name = names.check_board(board)
    public = public_key.read(key_file)
    # The line first: addresses that cannot be written in it must not leave a board enrolled.
    line = authorized_keys.authorized_line(
        opened, name, public, program=this_program.words(), sources=sources
    )
    was_known = name in opened.boards() and public in enrolment.read(opened, name).live_keys
    if replaces:
        fresh = enrolment.replace_key(opened, name, public, clock=SystemClock())
        shut_out(opened, fresh.retired_keys)
        if not was_known:
            end_sessions(opened, name)
    else:
        enrolment.enrol(opened, name, public, clock=SystemClock(), limits=None)
    done = f"{name} was enrolled with this key already" if was_known else f"{name} is enrolled"
    public_key.tell(line, done, lets_in=lets_in)
