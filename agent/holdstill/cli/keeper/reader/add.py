"""The command `holdstill keeper reader add`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, this_program
from holdstill.cli.keeper import public_key
from holdstill.keeper import authorized_keys, readers
from holdstill.keeper.authorized_keys import Who
from holdstill.system.clocks import SystemClock


@click.command("add", short_help="Let a person read captures.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@click.argument("name")
@click.option(
    "--key",
    "key_file",
    required=True,
    type=click.Path(path_type=Path, allow_dash=True, readable=False),
    help="The person's public key file (.pub); - for standard input.",
)
@click.option("--board", "boards", multiple=True, help="A board; again for more. Default: all.")
@click.option("--from", "sources", default="", help="Accept the key only from these addresses.")
@click.option(
    "--let-in", "lets_in", is_flag=True,
    help="Put the line into ~/.ssh/authorized_keys instead of printing it.",
)  # fmt: skip
def command(
    store: Path,
    name: str,
    key_file: Path,
    boards: tuple[str, ...],
    sources: str,
    *,
    lets_in: bool,
) -> None:
    r"""Let a key read the captures of named boards, or of all, also of those that come later.

    It can list, show, find, get, compare and rebuild over SSH. It cannot change anything, and sees
    no other board. Who reads a capture has all that is on the card: passwords and keys, too. Said
    again of the same key, with other boards, these take their place.

    \b
    Examples:
      holdstill keeper reader add /srv/holdstill anna --key anna.pub --let-in
      holdstill keeper reader add /srv/holdstill ben --key ben.pub --board pier-3
    """
    opened = as_owner.opened(store)
    public = public_key.read(key_file, public_key.READER)
    readers.folder(opened, name)
    line = authorized_keys.authorized_line(
        opened, name, public, program=this_program.words(), sources=sources, who=Who.READER
    )
    made = readers.add(opened, name, public, boards, clock=SystemClock())
    which = ", ".join(made.boards) or "all boards"
    public_key.tell(line, f"{name} may read {which}", lets_in=lets_in)
