"""The command `holdstill verify`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import as_owner, consoles, local_store, options, progress, tables, terminal
from holdstill.errors import UsageError, VerificationError
from holdstill.model import sizes
from holdstill.system import byte_source
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, rebuild_source, verify_captures

if TYPE_CHECKING:
    from holdstill.keeper.store import Store


@click.command("verify", short_help="Check a store, or a card against a capture.")
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
    "--repair",
    "is_repaired",
    is_flag=True,
    help="Take damaged contents out; the boards send them again.",
)
@options.store_option
@options.json_option
def command(
    capture: str,
    *,
    card: Path | None,
    is_repaired: bool,
    within: float,
    rate: str,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Read stored contents again and compare them with their digests, each one once.

    With --card, compare a card or image with the capture that it was made from, file by file.
    Exit code 7 means that something is not as it should be; all of it is listed. Exit code 4
    means that this user or machine could not read something, so that nobody can tell.

    \b
    Examples:
      holdstill verify --store /srv/holdstill --rate 20M --within 30
      holdstill verify pier-3/000042 --card /dev/sdb
    """
    if card is not None:
        opened = local_store.opened(store_address)
        return _verify_card(opened, capture, card, as_json=as_json)
    opened = as_owner.opened_at(store_address)
    with progress.reporting(consoles.console(is_error=True)) as reporter:
        report = verify_captures.verify_store(
            opened, capture, within_days=within, rate=sizes.parse_size(rate),
            clock=SystemClock(), runner=LocalRunner(), progress=reporter,
        )  # fmt: skip
    if as_json:
        options.print_json(report)
    else:
        tables.store_report(report, consoles.console())
        tables.troubles(report.troubles, consoles.console(is_error=True))
    if is_repaired:
        for digest, outcome in verify_captures.repair_damage(opened, report).items():
            terminal.warn(f"{digest}: {outcome}")
    return report.exit_code


def _verify_card(opened: Store, capture: str, card: Path, *, as_json: bool) -> int:
    if not capture:
        raise UsageError("which capture?", hint="name BOARD/CAPTURE, as `holdstill list` does")
    byte_source.check_plain(card)
    stored = capture_ref.trusted(capture_ref.find(opened, capture, runner=LocalRunner()))
    with rebuild_source.opened(stored) as source:
        report = verify_captures.verify_card(card.absolute(), source, machine=LocalRunner())
    if as_json:
        options.print_json(report)
    else:
        out = consoles.console()
        out.print(
            f"{card}: {sizes.counted(report.entries, 'entry', 'entries')} compared, "
            f"{sizes.counted(report.total, 'difference')}"
        )
        for difference in report.differences:
            out.print(f"  {difference}")
        for text in report.unchecked:
            out.print(f"  not checked: {text}")
    return 0 if report.is_exact else VerificationError.exit_code
