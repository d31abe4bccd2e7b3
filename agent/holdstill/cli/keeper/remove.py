"""The command `holdstill keeper remove`."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import terminal, this_program
from holdstill.cli.keeper import reading_key
from holdstill.cli.setup_questions import check_terminal
from holdstill.errors import PreflightError, UsageError
from holdstill.keeper import authorized_keys
from holdstill.keeper import store as stores
from holdstill.keeper.store_disk import StoreDisk
from holdstill.model import sizes
from holdstill.system.process import Command, LocalRunner
from holdstill.system.users import User, become
from holdstill.workflow import keeper_setup, keeper_units
from holdstill.workflow.install_units import unlinked
from holdstill.workflow.keeper_units import KeeperUnits

if TYPE_CHECKING:
    from holdstill.keeper.store import Store


@click.command("remove", short_help="Undo `keeper setup`; captures stay.")
@click.option("--yes", is_flag=True, help="Do not ask. Captures stay all the same.")
@click.option("--captures", "deletes", is_flag=True, help="Delete the store with ALL captures.")
@click.option("--confirm", default="", help="The store's path, for --captures in scripts.")
@click.option(
    "--units", type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Where the installation's systemd units are.",
)  # fmt: skip
@click.option("--lines-of", type=click.Path(path_type=Path), hidden=True)
def command(
    *, yes: bool, deletes: bool, confirm: str, units: Path | None, lines_of: Path | None
) -> None:
    r"""Take away timers, the page, settings, the reading key and the lines that let boards in.

    Captures stay, and so does the user whom they belong to: `holdstill keeper setup` takes them up
    again, and each board has to be let in again. With --captures the store is deleted as well,
    once its path was typed; nothing brings it back.

    \b
    Example:
      holdstill keeper remove
    """
    if lines_of is not None:  # root asks its owner to do this part
        _shut_out(stores.open_store(lines_of))
        return
    if os.geteuid() != 0:
        raise PreflightError("only root can remove timers", hint="`sudo holdstill keeper remove`")
    path = keeper_setup.known_store()
    if path is None:
        raise UsageError(
            f"there is no {keeper_setup.SETTINGS}: this machine is no keeper by `keeper setup`"
        )
    store = stores.open_store(path) if stores.is_there(path) else None
    if deletes:
        _check_typed(path, store, confirm)
    elif not yes:
        check_terminal("--yes")
        click.confirm(f"Remove this keeper? The captures in {path} stay", abort=True)
    _remove(path, store, units or this_program.units())
    if not deletes or store is None:
        terminal.say(f"the captures in {path} are as they were")
        return
    StoreDisk().remove_tree(path)
    terminal.say(f"deleted {path} with all captures")


def _check_typed(path: Path, store: Store | None, confirm: str) -> None:
    """Let nobody delete captures by a habit: the path is typed, whatever else was said.

    Raises:
        UsageError: it was not.
    """
    boards = store.boards() if store else ()
    terminal.warn(
        f"ALL CAPTURES of {sizes.counted(len(boards), 'board')} in {path} will be deleted, and "
        "nothing brings them back"
    )
    if not confirm and sys.stdin.isatty():
        confirm = str(
            click.prompt(
                "Type the store's path to go on", default="", show_default=False, err=True
            )
        )
    if confirm != str(path):
        raise UsageError(
            f"{confirm!r} is not {path}; nothing was removed", hint="without --captures they stay"
        )


def _remove(path: Path, store: Store | None, units: Path) -> None:
    user = User.owner_of(path) if store else None
    kept = KeeperUnits(
        units, this_program.path(), path, user.called if user else keeper_units.USER
    )
    gone = list(keeper_units.remove(kept, LocalRunner()))
    for place in (reading_key.PLACE, reading_key.public_of(reading_key.PLACE)):
        gone += unlinked(place)
    gone += unlinked(keeper_setup.SETTINGS)
    with suppress(OSError):  # it has a file that is not ours
        keeper_setup.SETTINGS.parent.rmdir()
    terminal.say(*(f"removed {text}" for text in gone))
    if user is not None:
        # As that user, in whose home root follows no link and leaves no file.
        words = (*become(user), *this_program.words(), "keeper", "remove")
        home = (("HOME", user.home or "/"),)
        command_line = Command.of(*words, "--lines-of", path, environment=home)
        terminal.say(LocalRunner().run(command_line).decode().strip())


def _shut_out(store: Store) -> None:
    shut = authorized_keys.shut_out_all(store, Path.home())
    terminal.say(f"{sizes.counted(shut.gone, 'line')} went out of {shut.path}")
