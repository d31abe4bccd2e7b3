"""The command `holdstill list`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import (
    capture_tables,
    completion,
    consoles,
    local_store,
    offsite_alone,
    open_capture,
    options,
    tables,
)
from holdstill.keeper import thin
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model import names
from holdstill.model.layout import Record
from holdstill.model.names import BoardName
from holdstill.model.protocol import CaptureBrief
from holdstill.model.settings import Retention
from holdstill.model.sizes import counted
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import each_board
from holdstill.workflow.each_board import BoardTrouble, EachBoard

if TYPE_CHECKING:
    from holdstill.cli.consoles import Console


class ListOutput(Record, frozen=True, kw_only=True):
    """What `list --json` prints."""

    boards: dict[BoardName, tuple[CaptureBrief, ...]]
    own_retention: dict[BoardName, Retention]
    troubles: tuple[BoardTrouble, ...]


@click.command("list", short_help="List captures.")
@click.argument("board", shell_complete=completion.boards, required=False)
@options.store_option
@options.access_options
@options.long_option
@options.json_option
def command(board: str | None, store_address: str | None, *, is_long: bool, as_json: bool) -> int:
    r"""List the captures of a board; of several boards, a line for each.

    For the line of a board the signature of its newest capture is checked, and the others are
    told as they were sealed; for its list all are checked. --long lists the captures of all
    boards, with all that is known of them; --json does so in any case. A board that cannot be
    read is told in a line, and the others are listed; the exit code is then that of the worst.

    \b
    Examples:
      holdstill list --store /srv/holdstill
      holdstill list pier-3 --store /srv/holdstill
      holdstill list --store ssh://keeper@boathouse \
        --key board_key --host-keys known_hosts
    """
    found, own = _briefs(board, store_address, is_checked=bool(board) or is_long or as_json)
    if as_json:
        options.print_json(
            ListOutput(boards=dict(found.results), own_retention=own, troubles=found.troubles)
        )
        return found.exit_code
    out = consoles.console()
    by_name = dict(sorted(found.results.items(), key=lambda item: names.natural(item[0])))
    now = SystemClock().now()
    if len(by_name) > 1 and not is_long:
        capture_tables.overview(by_name, own, now=now, out=out)
    else:
        for name, briefs in by_name.items():
            capture_tables.briefs(name, briefs, own.get(name), now=now, out=out, is_long=is_long)
    _say_away(board, store_address, out)
    tables.troubles(found.troubles, consoles.console(is_error=True))
    if not found.results and not found.troubles:
        out.print("no boards; `holdstill keeper enrol` adds one")
    return found.exit_code


def _say_away(board: str | None, store_address: str | None, out: Console) -> None:
    """Say which captures have left a store here."""
    if "://" in (address := options.store_address(store_address)):
        return
    for name, captures in sorted(offsite_alone.names(Path(address)).items()):
        if board in (None, name) and captures:
            number = counted(len(captures), "earlier capture is", "earlier captures are")
            out.print(f"{name}: {number} off-site alone, from {captures[0]} to {captures[-1]}")


def _briefs(
    board: str | None, store_address: str | None, *, is_checked: bool
) -> tuple[EachBoard[tuple[CaptureBrief, ...]], dict[BoardName, Retention]]:
    """Return the captures of each board, and the rules that boards have for themselves.

    Over SSH, and of an off-site copy, those are not known.
    """
    elsewhere = open_capture.offsite(store_address)
    if elsewhere:
        with open_capture.offsite_library(elsewhere) as copies:
            chosen = (copies.check_known(board),) if board else copies.boards()
            found = {name: copies.briefs(name) for name in chosen}
            return EachBoard(results=found, troubles=()), {}
    address = open_capture.host(store_address)
    if address is not None:
        with open_capture.library(address) as library:
            if board:
                own = library.check_own(board)
                return EachBoard(results={own: library.briefs()}, troubles=()), {}
            return each_board.of_named(library.boards, library.briefs_of), {}
    store, runner = local_store.opened(store_address), LocalRunner()
    is_one = is_checked or len(store.boards()) == 1

    def listed(name: BoardName) -> tuple[CaptureBrief, ...]:
        shelf = BoardCaptures(store, name, runner)
        return shelf.briefs() if is_one else shelf.briefs_as_sealed()

    here = each_board.do(store, board, listed)
    return here, thin.own_retentions(store, here.results)
