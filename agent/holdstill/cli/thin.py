"""The command `holdstill thin`."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from datetime import timedelta
from typing import TYPE_CHECKING

import click

from holdstill import errors
from holdstill.cli import as_owner, completion, consoles, options, tables, terminal
from holdstill.errors import HoldstillError, VerificationError
from holdstill.keeper import ballast, garbage, thin
from holdstill.keeper.garbage import CollectedGarbage
from holdstill.keeper.retention import Verdict
from holdstill.model.layout import Record
from holdstill.model.names import BoardName
from holdstill.model.settings import Retention
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import each_board
from holdstill.workflow.each_board import BoardTrouble

if TYPE_CHECKING:
    from pathlib import Path


class ThinOutput(Record, frozen=True, kw_only=True):
    """What `thin --json` prints; swept is None without --apply, or where it failed."""

    verdicts: dict[BoardName, tuple[Verdict, ...]]
    own_retention: dict[BoardName, Retention]
    troubles: tuple[BoardTrouble, ...]
    swept: CollectedGarbage | None


@click.command("thin", short_help="Delete captures that are not to be kept.")
@click.argument("board", shell_complete=completion.boards, required=False)
@click.option("--apply", "is_applied", is_flag=True, help="Do it. Without this, only say what.")
@options.settings_option(options.KEEPER_SETTINGS)
@options.store_option
@options.json_option
def command(
    board: str | None,
    *,
    is_applied: bool,
    settings_path: Path,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Delete captures that retention does not keep; without --apply only list them.

    What stays is said by `retention` in the keeper's settings, or in a board's enrolment.yaml for
    that one. The newest good capture, pinned ones, and those with a date that cannot be trusted
    stay. A board whose captures look tampered with is left alone; the others are done.

    Contents that no capture needs any more rest in the store's trash/ for some days before they
    are deleted. While anything in the store cannot be read, all contents stay.

    \b
    Examples:
      holdstill thin pier-3
      holdstill thin --apply
    """
    opened = as_owner.opened_at(options.store_address(store_address, settings_path))
    settings = options.keeper_settings(settings_path, opened.root)
    clock, runner = SystemClock(), LocalRunner()
    deed = thin.delete_captures if is_applied else thin.plan
    swept, failure = None, None
    with ballast.given_up_if_needed(opened) if is_applied else nullcontext():
        found = each_board.do(
            opened,
            board,
            lambda name: deed(opened, name, settings.retention, clock=clock, runner=runner),
        )
        own = thin.own_retentions(opened, found.results)
        if is_applied:
            try:
                swept = garbage.collect(
                    opened, clock=clock, grace=timedelta(days=settings.trash_days),
                    min_free=settings.min_free,
                )  # fmt: skip
            except (HoldstillError, OSError) as error:
                failure = error  # after what was done already has been told
    if as_json:
        options.print_json(
            ThinOutput(
                verdicts={name: tuple(each) for name, each in found.results.items()},
                own_retention=own,
                troubles=found.troubles,
                swept=swept,
            )
        )
    else:
        tables.verdicts(found.results, own, consoles.console(), is_applied=is_applied)
        tables.troubles(found.troubles, consoles.console(is_error=True))
        if swept is not None:
            tables.collected(swept, settings.trash_days, consoles.console())
        elif sys.stdout.isatty() and not is_applied:
            terminal.say("nothing was deleted; --apply does it")
    if failure is not None:
        raise failure
    undecided = VerificationError.exit_code if swept and swept.complaints else 0
    return errors.worst((found.exit_code, undecided))
