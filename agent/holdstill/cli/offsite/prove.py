"""The command `holdstill offsite prove`."""

from __future__ import annotations

import click

from holdstill import errors
from holdstill.cli import consoles, offsite_source, options, tables, terminal
from holdstill.model.layout import Record
from holdstill.model.sizes import counted
from holdstill.workflow import offsite_prove
from holdstill.workflow.each_board import BoardTrouble
from holdstill.workflow.offsite_prove import Proof


class ProveOutput(Record, frozen=True, kw_only=True):
    """What `offsite prove --json` prints.

    Attributes:
        proofs: of each keeper of which something was opened.
        troubles: of which keepers nothing could be, each with why.
    """

    proofs: tuple[Proof, ...]
    troubles: tuple[BoardTrouble, ...]


@click.command("prove", short_help="Show that the recovery key opens the copy.")
@click.argument("address")
@options.access_options
@options.json_option
def command(address: str, *, as_json: bool) -> int:
    r"""Open something of each keeper with the recovery key, as it is on the paper.

    Run it where the paper is. It ends with a line for the keeper's offsite.yaml, without which
    `keep_here` is refused: so no copy becomes the only one that nobody has opened yet.

    \b
    Example:
      holdstill offsite prove s3+https://objects.example/captures/boathouse \
        --access-key bucket.key
    """
    key = offsite_source.recovery_key(options.offsite_access().recovery_key)
    with offsite_source.opened(address, key) as library:
        proofs, troubles = offsite_prove.prove(library, key)
    if as_json:
        options.print_json(ProveOutput(proofs=proofs, troubles=troubles))
    else:
        for one in proofs:
            lost = f" (not there any more: {counted(len(one.lost), 'pack')})" if one.lost else ""
            terminal.say(
                f"keeper {one.keeper}: {one.capture} was opened, and the keys of "
                f"{counted(one.packs, 'pack')}{lost}, but not what is in them; its offsite.yaml "
                "needs this line, in the place of the one with `proved:` if there is one:",
                f"proved: {one.proved}",
            )
    tables.troubles(troubles, consoles.console(is_error=True))
    return errors.worst(trouble.exit_code for trouble in troubles)
