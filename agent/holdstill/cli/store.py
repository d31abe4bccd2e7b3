"""Commands that look into a store: list, show, get."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import options, render
from holdstill.errors import UsageError
from holdstill.keeper import store as keeper_store
from holdstill.keeper.captures import Shelf
from holdstill.model import names, paths
from holdstill.model.sizes import human
from holdstill.records import index as index_file
from holdstill.system.clock import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import finding, getting

if TYPE_CHECKING:
    from holdstill.keeper.store import Store


def open_local(given: str | None) -> Store:
    """Open a store that is a directory of this machine.

    Raises:
        UsageError: the address is none, or not of a directory.
    """
    address = options.store_address(given)
    if "://" in address:
        raise UsageError(
            f"{address} is not a directory of this machine",
            hint="run this command at the keeper, or mount its store here and name the directory",
        )
    return keeper_store.open_store(Path(address).absolute())


@click.command("list")
@click.argument("board", required=False)
@options.store_option
@options.json_option
def list_(board: str | None, store_address: str | None, *, as_json: bool) -> None:
    r"""List the captures of one board, or of all.

    \b
    Example:
      holdstill list pier-3 --store /srv/holdstill
    """
    store = open_local(store_address)
    boards = (names.check_board(board),) if board else store.boards()
    found = {name: Shelf(store, name, LocalRunner()).briefs() for name in boards}
    if as_json:
        options.print_json(found)
        return
    out = render.console()
    for name, briefs in found.items():
        render.briefs(name, briefs, now=SystemClock().now(), out=out)
    if not found:
        out.print("no boards yet; `holdstill keeper enrol` adds one")


@click.command()
@click.argument("capture", metavar="BOARD[/CAPTURE]")
@options.store_option
@options.json_option
def show(capture: str, store_address: str | None, *, as_json: bool) -> None:
    r"""Show what one capture holds: its manifest, readably. The newest good one by default.

    \b
    Example:
      holdstill show pier-3/000042 --store /srv/holdstill
    """
    stored = finding.find(open_local(store_address), capture, runner=LocalRunner())
    found = stored.manifest()
    if as_json:
        options.print_json(found)
        return
    out = render.console()
    render.warnings(stored.faults, out)
    render.manifest(found, out)


@click.command()
@click.argument("capture", metavar="BOARD[/CAPTURE]")
@click.argument("path")
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    help="Where to put it; must not exist. Default: its own name, here.",
)
@options.store_option
def get(capture: str, path: str, to: Path | None, store_address: str | None) -> None:
    r"""Take one file or folder out of a capture, by its PATH on the board.

    A PATH such as 1:/config.txt names a partition that was not mounted.

    \b
    Examples:
      holdstill get pier-3 /etc/hostname --to ./hostname
      holdstill get pier-3/000042 1:/cmdline.txt
    """
    store = open_local(store_address)
    stored = finding.trusted(finding.find(store, capture, runner=LocalRunner()))
    part, inside = finding.locate(stored.manifest(), path)
    target = to or Path(path.rstrip("/").rpartition("/")[2] or stored.board)
    with index_file.opened(stored.index_path) as index:
        got = getting.get(index, part.number, inside, contents=stored, to=target)
    out = render.console()
    out.print(f"{target}: {got.files} files, {human(got.size)}, from {stored.board}/{stored.name}")
    for skipped, why in got.skipped:
        out.print(f"skipped /{paths.display(skipped)}: {why}")


COMMANDS = (list_, show, get)
