"""The command `holdstill keeper reader remove`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, terminal
from holdstill.errors import UsageError
from holdstill.keeper import authorized_keys, readers, session_slots
from holdstill.keeper.authorized_keys import Who
from holdstill.model import sizes


@click.command("remove", short_help="Let a reader in no more.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@click.argument("name")
def command(store: Path, name: str) -> None:
    r"""Withdraw a reader's key: its line goes out of authorized_keys, and its sessions end.

    What was read before is out of the keeper's hands.

    \b
    Example:
      holdstill keeper reader remove /srv/holdstill anna
    """
    opened = as_owner.opened(store)
    place = readers.folder(opened, name)
    if not place.is_dir():  # one whose removal was cut off has its folder still
        raise UsageError(
            f"{opened.root} has no reader {name}",
            hint=f"it has {', '.join(readers.every(opened)) or 'none'}; name one of them",
        )
    # The line and the key first: a client that comes again and again, or whose connection still
    # stands, finds no way in between.
    key = readers.public_key(opened, name)
    shut = authorized_keys.shut_out(
        opened, [key] if key else [], Path.home(), name=name, who=Who.READER
    )
    readers.withdraw(opened, name)
    ended = session_slots.end_all_in(place)
    readers.remove(opened, name)
    terminal.say(
        f"{name} reads nothing any more",
        f"{sizes.counted(shut.gone, 'line')} went out of {shut.path}",
    )
    if ended:
        terminal.say(f"{sizes.counted(ended, 'session')} of {name} ended")
