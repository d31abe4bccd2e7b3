"""The command `holdstill keeper init`."""

from __future__ import annotations

from pathlib import Path

import click

from holdstill.board import mounts
from holdstill.cli import as_owner, consoles, options, tables
from holdstill.keeper.store import create
from holdstill.model.layout import Record
from holdstill.system.clocks import SystemClock
from holdstill.workflow import store_leaks


class InitOutput(Record, frozen=True, kw_only=True):
    """What `keeper init --json` prints; warnings: what the file system cannot do."""

    store: str
    created: str
    is_new: bool
    boards: tuple[str, ...]
    warnings: tuple[str, ...]


@click.command("init", short_help="Create a store.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@options.json_option
def command(store: Path, *, as_json: bool) -> None:
    r"""Make a store in a new or empty directory, and say what its file system cannot do.

    Where it is on an encrypted disk, swap and temporary folders that are not are named, too.

    \b
    Example:
      holdstill keeper init /srv/holdstill
    """
    as_owner.become_owner(store.absolute())
    is_old = (store / "store.yaml").is_file()
    made = create(store.absolute(), clock=SystemClock())
    leaks = store_leaks.remarks(made.root, mounts.read_mounts())
    complaints = (*made.facts.abilities.complaints(), *leaks)
    if as_json:
        options.print_json(
            InitOutput(
                store=str(made.root), created=made.facts.created, is_new=not is_old,
                boards=made.boards(), warnings=complaints,
            )
        )  # fmt: skip
        return
    out = consoles.console()
    if is_old:
        boards = ", ".join(made.boards()) or "none yet"
        out.print(
            f"{made.root} is a store already, made {made.facts.created}; nothing was changed. "
            f"Boards: {boards}"
        )
    else:
        out.print(f"{made.root} is a store now")
    tables.warnings(complaints, out)
