"""The command `holdstill find`."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from holdstill.cli import (
    completion,
    consoles,
    local_store,
    offsite_alone,
    open_capture,
    options,
    tables,
    terminal,
)
from holdstill.errors import UsageError
from holdstill.keeper.board_captures import BoardCaptures
from holdstill.model.layout import Record
from holdstill.model.names import BoardName
from holdstill.model.sizes import human
from holdstill.records.index_series import IndexSeries
from holdstill.system import work_folder
from holdstill.system.process import LocalRunner
from holdstill.workflow import each_board, find
from holdstill.workflow.each_board import BoardTrouble, EachBoard
from holdstill.workflow.find import Found, PathWish

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from holdstill.cli.consoles import Console
    from holdstill.model.sealed_capture import SealedCapture
    from holdstill.workflow.find import FoundPath, Unlisted, Version


class FindOutput(Record, frozen=True, kw_only=True):
    """What `find --json` prints."""

    boards: dict[BoardName, Found]
    troubles: tuple[BoardTrouble, ...]


@click.command("find", short_help="Find the versions of a file.")
@click.argument("pattern", metavar="PATH-PATTERN")
@click.argument("board", shell_complete=completion.boards, required=False)
@click.option(
    "--list", "listed", type=click.IntRange(min=1), default=find.LISTED, show_default=True,
    help="Most paths of a board to list.",
)  # fmt: skip
@options.store_option
@options.access_options
@options.json_option
def command(
    pattern: str, board: str | None, *, listed: int, store_address: str | None, as_json: bool
) -> int:
    r"""List which captures of a board, or of all boards, have a file, and its versions.

    PATH-PATTERN is a path on the board, with * ? and [] as a shell has them; * stops at a slash.
    One without a slash is matched against names, wherever they are. Captures in which a path has
    the same content and mode are one version. Exit code 2: no capture has such a path, or it may
    be in a partition that is captured as it is, whose files nobody lists. A capture
    or a board that cannot be read is told in a line; the exit code is then that of the worst.
    Captures that have left for an off-site copy are named, and not looked into.

    \b
    Examples:
      holdstill find /etc/hostname pier-3 --store /srv/holdstill
      holdstill find '*.conf' --json
    """
    wish = PathWish.parse(pattern)
    with work_folder.made() as folder:
        found = _found(wish, board, store_address, folder, listed)
    worst = max(found.exit_code, *(one.exit_code for one in found.results.values()), 0)
    if as_json:
        options.print_json(FindOutput(boards=dict(found.results), troubles=found.troubles))
    else:
        _show(found, consoles.console())
        tables.troubles(found.troubles, consoles.console(is_error=True))
    if not worst and not any(one.paths for one in found.results.values()):
        raise _none(pattern, [place for one in found.results.values() for place in one.unlisted])
    return worst


def _none(pattern: str, places: Sequence[Unlisted]) -> UsageError:
    if places:
        where = "; ".join(place.why for place in places)
        return UsageError(
            f"no capture lists {pattern}, which may be in {where}", hint=places[0].hint
        )
    is_open = "[" in pattern and "]" not in pattern.partition("[")[2]
    bracket = "a [ begins a set, which ends with ], and [[] is a plain one; " if is_open else ""
    return UsageError(
        f"no capture has {pattern}",
        hint=f"{bracket}paths are those of the board; quote * and ?, or this shell takes them",
    )


def _found(
    wish: PathWish, board: str | None, store_address: str | None, folder: Path, listed: int
) -> EachBoard[Found]:
    def looked(name: BoardName, captures: Iterable[SealedCapture]) -> Found:
        return find.find(captures, wish, IndexSeries(folder / name), listed=listed)

    elsewhere = open_capture.offsite(store_address)
    if elsewhere:
        with open_capture.offsite_library(elsewhere) as copies:
            chosen = (copies.check_known(board),) if board else copies.boards()
            found = {
                name: looked(name, (copies.find(f"{name}/{b.name}") for b in copies.briefs(name)))
                for name in chosen
            }
            return EachBoard(results=found, troubles=())
    address = open_capture.host(store_address)
    if address is not None:
        with open_capture.library(address) as far:
            own = far.check_own(board) if board else far.board
            every = (far.find(f"{own}/{brief.name}") for brief in far.briefs())
            return EachBoard(results={own: looked(own, every)}, troubles=())
    store, runner = local_store.opened(store_address), LocalRunner()
    terminal.warn(*offsite_alone.not_looked_into(store.root, board))

    def of_board(name: BoardName) -> Found:
        shelf = BoardCaptures(store, name, runner)
        return looked(name, (shelf.capture(brief.name) for brief in shelf.briefs()))

    return each_board.do(store, board, of_board)


def _show(found: EachBoard[Found], out: Console) -> None:
    for board, one in found.results.items():
        for path in one.paths:
            out.print(f"{board}: {path.path}")
            _show_versions(path, out)
        if one.is_cut:
            out.print(f"{board}: more paths match; --list N lists more")
        for place in one.unlisted if one.paths else ():
            out.print(f"{board}: not looked into: {place.why}")
        tables.warnings(one.troubles, out)


def _show_versions(path: FoundPath, out: Console) -> None:
    has_modes = len({version.mode for version in path.versions}) > 1
    for version in path.versions:
        out.print(f"  {_words(version, has_mode=has_modes)}")


def _words(version: Version, *, has_mode: bool) -> str:
    """Describe a version in one line of at most 80 columns."""
    last = "" if version.last == version.first else f"-{_number(version.last)}"
    gone = f", gone in {_number(version.gone_since)}" if version.gone_since else ""
    what = version.digest[:12] or version.type
    mode = f" {version.mode:04o}" if has_mode else ""
    return (
        f"{what:12} {human(version.size):>10} {_time(version.mtime_ns)}{mode} "
        f"in {_number(version.first)}{last}{gone}"
    )


def _number(capture: str) -> str:
    return capture.partition("-")[0]


def _time(mtime_ns: int) -> str:
    try:
        moment = datetime.fromtimestamp(mtime_ns // 1_000_000_000, UTC)
    except (OverflowError, ValueError, OSError):
        return f"{mtime_ns // 1_000_000_000} s"
    return moment.strftime("%Y-%m-%d %H:%M")
