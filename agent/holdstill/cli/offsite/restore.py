"""The command `holdstill offsite restore`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill import errors
from holdstill.cli import as_owner, consoles, offsite_source, options, progress, tables, terminal
from holdstill.errors import DegradedError
from holdstill.model.sizes import counted
from holdstill.offsite.offsite_settings import NAME
from holdstill.system.clocks import SystemClock
from holdstill.workflow import offsite_restore

if TYPE_CHECKING:
    from holdstill.workflow.offsite_restore import RestoreReport

_NAMED = 10
"""Captures that are named of those left out."""


@click.command("restore", short_help="Make a whole keeper again.")
@click.argument("address")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@options.access_options
@options.json_option
def command(address: str, store: Path, *, as_json: bool) -> int:
    r"""Make a store again of all that is off-site, the newest captures first.

    Can be interrupted and begun again. The new store goes on with the same copy; its next upload
    sends what the captures need once more, for nobody has shown this keeper what is in the packs
    there. The boards' lines in authorized_keys are not in it: `keeper enrol`
    gives them again.

    A capture that a board's ledger gives up is left out, and named if it is there all the same
    (exit code 8): read it with `list`, `get` and `rebuild` from there. So is one that is signed
    by a key which the board's first captures do not know (exit code 9), unless --accept-key has
    that key's fingerprint.

    \b
    Example:
      holdstill offsite restore s3+https://objects.example/captures/boathouse \
        /srv/holdstill
    """
    as_owner.become_owner(store.absolute())
    given = options.offsite_access()
    key = offsite_source.recovery_key(given.recovery_key)
    with (
        offsite_source.opened(address, key) as library,
        progress.reporting(consoles.console(is_error=True)) as reporter,
    ):
        report = offsite_restore.restore(
            library, store.absolute(), clock=SystemClock(), progress=reporter
        )
        path = str(given.access_key.absolute()) if given.access_key else ""
        goes_on = offsite_restore.continue_there(
            store.absolute(), library, key.of_keeper, access_key=path
        )
        is_in_part = offsite_restore.is_in_part(library)
    if as_json:
        options.print_json(report)
    else:
        _say(report, store, goes_on=goes_on, is_in_part=is_in_part)
    tables.troubles(report.troubles, consoles.console(is_error=True))
    codes = [trouble.exit_code for trouble in report.troubles]
    return errors.worst([*codes, DegradedError.exit_code] if report.left_out else codes)


def _say(report: RestoreReport, store: Path, *, goes_on: bool, is_in_part: bool) -> None:
    terminal.say(f"{store}: {counted(len(report.captures), 'capture')} made again")
    if report.away:
        terminal.say(f"{counted(len(report.away), 'capture')} had left it, and stay there alone")
    if report.left_out:
        terminal.say(
            f"LEFT OUT: {counted(len(report.left_out), 'capture')} that the boards' ledgers give "
            f"up, and that are there: {', '.join(report.left_out[:_NAMED])}"
            f"{', ...' if len(report.left_out) > _NAMED else ''}"
        )
    if goes_on:
        terminal.say(
            f"{store / NAME} has the usual lock of 30 days and no limit: change that to what you "
            "had. If the old keeper still lives, end its uploads: two of one name stop each other"
        )
    elif is_in_part:
        terminal.say(
            "the server failed at some of the copy, so nothing is uploaded from here yet: say "
            "this again when it hands that out, which makes the rest"
        )
    else:
        terminal.say(
            "the copy is of several keepers: `holdstill offsite setup` begins one of this store"
        )
