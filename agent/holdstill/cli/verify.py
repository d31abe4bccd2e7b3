"""The command `holdstill verify`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from holdstill.cli import (
    as_owner,
    completion,
    consoles,
    open_capture,
    options,
    progress,
    tables,
    terminal,
)
from holdstill.errors import UsageError, VerificationError
from holdstill.keeper.repair import RepairResult
from holdstill.model import sizes
from holdstill.rebuild import disk_choice
from holdstill.system import byte_source
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import capture_ref, rebuild_source, verify_captures

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.keeper.store import Store


@click.command("verify", short_help="Check a store, or a card against a capture.")
@click.argument(
    "capture",
    metavar="[BOARD[/CAPTURE]]",
    shell_complete=completion.captures,
    required=False,
    default="",
)
@click.option(
    "--card",
    type=click.Path(path_type=Path),
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
@options.disk_option
@options.store_option
@options.access_options
@options.json_option
def command(
    capture: str,
    *,
    card: Path | None,
    is_repaired: bool,
    within: float,
    rate: str,
    disk: int | Literal["all"] | None,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Read stored contents again and compare them with their digests, each one once.

    With --card, compare a card or image with the capture that it was made from, file by file;
    that capture may be elsewhere, and is read over SSH or from an off-site copy then.

    Exit code 7 means that something is not as it should be; all of it is listed. Exit code 4
    means that this user or machine could not read something, so that nobody can tell.

    \b
    Examples:
      holdstill verify --store /srv/holdstill --rate 20M --within 30
      holdstill verify pier-3/000042 --card /dev/sdb
      holdstill verify pier-3 --card /dev/sdb --store ssh://keeper@boathouse
    """
    if card is not None:
        return _verify_card(store_address, capture, card, disk, as_json=as_json)
    if disk is not None:
        raise UsageError("--disk is for --card", hint="a store is read whole")
    _check_is_here(store_address)
    opened = as_owner.opened_at(store_address)
    with progress.reporting(consoles.console(is_error=True)) as reporter:
        report = verify_captures.verify_store(
            opened, capture, within_days=within, rate=sizes.parse_size(rate, "--rate"),
            clock=SystemClock(), runner=LocalRunner(), progress=reporter,
        )  # fmt: skip
    outcomes = verify_captures.repair_damage(opened, report) if is_repaired else None
    if as_json:
        options.print_json(report)
    else:
        tables.store_report(report, consoles.console(), is_repaired=is_repaired)
        tables.troubles(report.troubles, consoles.console(is_error=True))
    if outcomes is not None:
        terminal.warn(*_of_repair(outcomes, opened))
    return report.exit_code


def _of_repair(outcomes: Mapping[str, RepairResult], opened: Store) -> Iterator[str]:
    """Say what became of each damaged content, and what is still to do."""
    awaited = [digest for digest, became in outcomes.items() if became is RepairResult.AWAITED]
    for digest, became in outcomes.items():
        yield f"{digest}: {became}"
    if not outcomes:
        yield "nothing had to be repaired"
    if awaited:
        yield (
            f"{sizes.counted(len(awaited), 'content')} taken out, the bytes kept in "
            f"{opened.root / 'damaged'}; what to do: run `holdstill capture` on the boards whose "
            "captures are named above, or wait for the night: each sends what it still has. What "
            "no board has any more stays damaged in these captures"
        )


def _check_is_here(given: str | None) -> None:
    """Raise if the store that is to be read whole is elsewhere.

    Raises:
        UsageError: it is.
    """
    if open_capture.offsite(given):
        raise UsageError(
            "an off-site copy is not read by `verify`",
            hint="`holdstill offsite verify` reads it, at the keeper; `--card CARD` compares a "
            "card with a capture of it",
        )
    if address := open_capture.host(given):
        raise UsageError(
            f"{address} is read whole where it is, not over the line",
            hint="at the keeper: `holdstill verify`; here, `holdstill verify BOARD --card CARD` "
            "compares a card with a capture",
        )


def _verify_card(
    store_address: str | None,
    capture: str,
    card: Path,
    disk: int | Literal["all"] | None,
    *,
    as_json: bool,
) -> int:
    if not capture:
        raise UsageError("which capture?", hint="name BOARD/CAPTURE, as `holdstill list` does")
    if not card.exists():
        raise UsageError(
            f"there is no {card}",
            hint="`lsblk` shows the cards that are in; an image is named by its file",
        )
    byte_source.check_plain(card)
    with (
        open_capture.capture(store_address, capture) as stored,
        rebuild_source.opened(capture_ref.trusted(stored)) as source,
    ):
        disk_choice.check(source.manifest, disk)
        chosen = rebuild_source.of_disk(source, disk)
        with byte_source.named(card):
            report = verify_captures.verify_card(card.absolute(), chosen, machine=LocalRunner())
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
