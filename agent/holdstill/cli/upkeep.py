"""Commands that keep a store good: verify, thin, pin, unpin."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console

from holdstill.cli import options, progress, store, tables
from holdstill.errors import UsageError, VerificationError
from holdstill.keeper import annotations as marks
from holdstill.keeper import thin
from holdstill.model import names, sizes
from holdstill.model.settings import Retention
from holdstill.system import byte_source
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, verify_captures
from holdstill.workflow import rebuild as workflow_rebuild

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.verify.card_check import CardReport


@click.command()
@click.argument("capture", metavar="[BOARD[/CAPTURE]]", required=False, default="")
@click.option(
    "--card",
    type=click.Path(path_type=Path, exists=True),
    help="Compare this card or image instead.",
)
@click.option(
    "--within",
    type=click.FloatRange(min=0),
    default=0.0,
    help="Skip what was found good so many days ago.",
)
@click.option("--rate", default="0", help="Most bytes a second, such as 20M; 0 is no limit.")
@click.option(
    "--mend",
    "is_mended",
    is_flag=True,
    help="Heal damaged contents from spare copies, or have the board send them again.",
)
@options.store_option
@options.json_option
def verify(
    capture: str,
    *,
    card: Path | None,
    is_mended: bool,
    within: float,
    rate: str,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Read stored contents again and compare them with their digests, each one once.

    With --card, compare a card or image with the capture that it was made from, file by file.
    Exit code 7 says that something is not as it should be; all of it is listed.

    \b
    Examples:
      holdstill verify --store /srv/holdstill --rate 20M --within 30
      holdstill verify pier-3/000042 --card /dev/sdb
    """
    opened = store.open_local(store_address)
    if card is not None:
        return _verify_card(opened, capture, card, as_json=as_json)
    with progress.telling(Console(stderr=True)) as teller:
        report = verify_captures.verify_store(
            opened, capture, within_days=within, rate=sizes.parse_size(rate),
            clock=SystemClock(), runner=LocalRunner(), tell=teller,
        )  # fmt: skip
    if as_json:
        options.print_json(report)
    else:
        tables.store_report(report, tables.console())
    if is_mended:
        for digest, outcome in verify_captures.mend(opened, report).items():
            click.echo(f"{digest}: {outcome}", err=True)
    return 0 if report.is_good else VerificationError.exit_code


def _verify_card(opened: Store, capture: str, card: Path, *, as_json: bool) -> int:
    if not capture:
        raise UsageError("which capture?", hint="name BOARD/CAPTURE, as `holdstill list` does")
    byte_source.check_plain(card)
    stored = capture_ref.trusted(capture_ref.find(opened, capture, runner=LocalRunner()))
    with workflow_rebuild.opened(stored, str(stored.name)) as capture_source:
        report = verify_captures.verify_card(
            card.absolute(), capture_source, machine=LocalRunner()
        )
    if as_json:
        options.print_json(report)
    else:
        _show_card(report, card)
    return 0 if report.is_exact else VerificationError.exit_code


def _show_card(report: CardReport, card: Path) -> None:
    out = tables.console()
    out.print(f"{card}: {report.entries:,} entries compared, {report.total:,} differences")
    for difference in report.differences:
        out.print(f"  {difference}")
    for text in report.unchecked:
        out.print(f"  not checked: {text}")


@click.command("thin")
@click.argument("board", required=False)
@click.option("--apply", "is_applied", is_flag=True, help="Do it. Without this, only say what.")
@options.settings_option(options.KEEPER_SETTINGS)
@options.store_option
@options.json_option
def thin_(
    board: str | None,
    *,
    is_applied: bool,
    settings_path: Path,
    store_address: str | None,
    as_json: bool,
) -> None:
    r"""Delete captures that retention does not keep; without --apply only say which.

    The newest good capture, pinned ones, and those with a date that cannot be trusted stay. A
    board whose captures look tampered with is left alone.

    \b
    Example:
      holdstill thin pier-3
      holdstill thin --apply
    """
    opened = store.open_local(store_address)
    rule = (
        options.read_keeper_settings(settings_path).retention
        if settings_path.exists()
        else (Retention())
    )
    boards = (names.check_board(board),) if board else opened.boards()
    deed = thin.delete_captures if is_applied else thin.plan
    clock, runner = SystemClock(), LocalRunner()
    verdicts = {name: deed(opened, name, rule, clock=clock, runner=runner) for name in boards}
    swept = thin.collect_garbage(opened, clock=clock) if is_applied else None
    if as_json:
        options.print_json({"verdicts": verdicts, "swept": swept})
        return
    tables.verdicts(verdicts, tables.console(), is_applied=is_applied)
    if swept is not None:
        click.echo(f"{sizes.human(swept.bytes)} given back, {swept.contents:,} contents")
    elif sys.stdout.isatty():
        click.echo("nothing was deleted; --apply does it")


def _named(store_address: str | None, reference: str) -> tuple[Store, BoardName, str]:
    opened = store.open_local(store_address)
    stored = capture_ref.find(opened, reference, runner=LocalRunner())
    return opened, stored.board, str(stored.name)


@click.command()
@click.argument("capture", metavar="BOARD/CAPTURE")
@options.store_option
def pin(capture: str, store_address: str | None) -> None:
    r"""Keep a capture whatever retention says.

    \b
    Example:
      holdstill pin pier-3/000042 --store /srv/holdstill
    """
    opened, board, name = _named(store_address, capture)
    marks.pin(opened, board, name, clock=SystemClock())
    click.echo(f"{board}/{name} stays, whatever retention says")


@click.command()
@click.argument("capture", metavar="BOARD/CAPTURE")
@options.store_option
def unpin(capture: str, store_address: str | None) -> None:
    r"""Let retention decide about a capture again.

    \b
    Example:
      holdstill unpin pier-3/000042 --store /srv/holdstill
    """
    opened, board, name = _named(store_address, capture)
    marks.unpin(opened, board, name, clock=SystemClock())
    click.echo(f"retention decides about {board}/{name} again")


COMMANDS = (verify, thin_, pin, unpin)
