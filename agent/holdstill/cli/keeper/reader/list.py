"""The command `holdstill keeper reader list`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.cli import as_owner, options, terminal
from holdstill.keeper import readers
from holdstill.model.layout import Record


class ReadersOutput(Record, frozen=True, kw_only=True):
    """What `keeper reader list --json` prints."""

    readers: list[readers.Reader]


@click.command("list", short_help="Show who may read captures.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@options.json_option
def command(store: Path, *, as_json: bool) -> None:
    r"""Show the readers of a store, since when, by which key, and which boards they may read.

    \b
    Example:
      holdstill keeper reader list /srv/holdstill
    """
    opened = as_owner.opened(store)
    found = [readers.read(opened, name) for name in readers.every(opened)]
    if as_json:
        options.print_json(ReadersOutput(readers=found))
        return
    for reader in found:
        which = ", ".join(reader.boards) or "all boards"
        since = reader.key.added_at[:10]
        terminal.say(f"{reader.name}: {which}; since {since}, {reader.key.fingerprint}")
    if not found:
        terminal.say("no readers; `holdstill keeper reader add` adds one")
