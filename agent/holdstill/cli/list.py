"""The command `holdstill list`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.cli import open_capture, options, tables, terminal
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner

if TYPE_CHECKING:
    from holdstill.model.names import BoardName
    from holdstill.model.protocol import CaptureBrief


@click.command("list", short_help="List captures.")
@click.argument("board", required=False)
@options.store_option
@options.access_options
@options.json_option
def command(board: str | None, store_address: str | None, *, as_json: bool) -> None:
    r"""List the captures of one board, or of all.

    \b
    Examples:
      holdstill list pier-3 --store /srv/holdstill
      holdstill list --store ssh://keeper@boathouse \
        --key board_key --host-keys known_hosts
    """
    found = _briefs(board, store_address)
    if as_json:
        options.print_json(found)
        return
    out = terminal.console()
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
    store = open_capture.open_local(store_address)
    boards = (names.check_board(board),) if board else store.boards()
    return {name: BoardCaptures(store, name, LocalRunner()).briefs() for name in boards}
