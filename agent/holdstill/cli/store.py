"""Commands that look into a store: list, show, get."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import open_capture, options, tables
from holdstill.errors import DegradedError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.records import index_file
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, extract
from holdstill.workflow.extract import DamagePolicy

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief


def open_local(given: str | None) -> Store:
    """Open a store that is a directory of this machine; see reach.open_local."""
    return open_capture.open_local(given)


@click.command("list")
@click.argument("board", required=False)
@options.store_option
@options.access_options
@options.json_option
def list_(board: str | None, store_address: str | None, *, as_json: bool) -> None:
    r"""List the captures of one board, or of all.

    \b
    Example:
      holdstill list pier-3 --store /srv/holdstill
      holdstill list --store ssh://keeper@boathouse --key board_key --host-keys known_hosts
    """
    found = _briefs(board, store_address)
    if as_json:
        options.print_json(found)
        return
    out = tables.console()
    for name, briefs in found.items():
        tables.briefs(name, briefs, now=SystemClock().now(), out=out)
    if not found:
        out.print("no boards yet; `holdstill keeper enrol` adds one")


def _briefs(
    board: str | None, store_address: str | None
) -> dict[BoardName, tuple[CaptureBrief, ...]]:
    address = open_capture.host(store_address)
    if address is not None:
        with open_capture.library(address) as library:
            own = library.check_own(board) if board else library.board
            return {own: library.briefs()}
    store = open_local(store_address)
    boards = (names.check_board(board),) if board else store.boards()
    return {name: BoardCaptures(store, name, LocalRunner()).briefs() for name in boards}


@click.command()
@click.argument("capture", metavar="BOARD[/CAPTURE]")
@options.store_option
@options.access_options
@options.json_option
def show(capture: str, store_address: str | None, *, as_json: bool) -> None:
    r"""Show what one capture holds: its manifest, readably. The newest good one by default.

    \b
    Example:
      holdstill show pier-3/000042 --store /srv/holdstill
    """
    with open_capture.capture(store_address, capture) as stored:
        found, faults = stored.manifest(), stored.faults
    if as_json:
        options.print_json(found)
        return
    out = tables.console()
    tables.warnings(faults, out)
    tables.manifest(found, out)


@click.command()
@click.argument("capture", metavar="BOARD[/CAPTURE]")
@click.argument("path")
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    help="Where to put it; must not exist. Default: its own name, here.",
)
@click.option(
    "--leave-out-damaged",
    "damaged",
    flag_value=DamagePolicy.LEAVE_OUT,
    default=DamagePolicy.REFUSE,
    type=click.UNPROCESSED,
    help="Leave out files whose contents are damaged in the store, and list them.",
)
@options.store_option
@options.access_options
def get(
    capture: str, path: str, *, to: Path | None, damaged: DamagePolicy, store_address: str | None
) -> int:
    r"""Take one file or folder out of a capture, by its PATH on the board.

    A PATH such as 1:/config.txt names a partition that was not mounted. Exit code 8: files were
    left out because they are damaged.

    \b
    Examples:
      holdstill get pier-3 /etc/hostname --to ./hostname
      holdstill get pier-3/000042 1:/cmdline.txt
    """
    with open_capture.capture(store_address, capture) as stored:
        capture_ref.trusted(stored)
        part, inside = capture_ref.locate(stored.manifest(), path)
        target = to or Path(path.rstrip("/").rpartition("/")[2] or stored.board)
        ahead = open_capture.ahead(stored)
        with index_file.opened(stored.index_path) as index:
            got = extract.extract(
                index,
                part.number,
                extract.spelled(index, part, inside),
                contents=stored,
                to=target,
                ahead=ahead,
                damaged=damaged,
            )
    tables.got(got, f"{stored.board}/{stored.name}", target, tables.console())
    return DegradedError.exit_code if got.damaged else 0


COMMANDS = (list_, show, get)
