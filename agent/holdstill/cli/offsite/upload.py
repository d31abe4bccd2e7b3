"""The command `holdstill offsite upload`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill import errors
from holdstill.cli import as_owner, consoles, options, progress, tables, terminal
from holdstill.model.sizes import counted, human
from holdstill.system import libc
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.workflow import offsite_upload

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.offsite.cost import Cost
    from holdstill.workflow.offsite_upload import OffsiteReport


@click.command("upload", short_help="Send what is not off-site yet.")
@click.option("--dry-run", is_flag=True, help="Only count what it would send and cost.")
@click.option("--shared", "is_shared", is_flag=True, help="Look first at what other keepers have "
              "put there, and do not send that again.")  # fmt: skip
@click.option("--in-turn", "is_in_turn", is_flag=True, help="Look at all that is there once a day "
              "only: for timers.")  # fmt: skip
@options.settings_option(options.KEEPER_SETTINGS)
@options.store_option
@options.json_option
def command(
    *,
    dry_run: bool,
    is_shared: bool,
    is_in_turn: bool,
    settings_path: Path,
    store_address: str | None,
    as_json: bool,
) -> int:
    r"""Send all captures that are not off-site yet; goes on where it broke off.

    What is needed there is locked for longer when half of its time is over, and what no capture
    needs any more is let go when its lock ends. Exit code 7: some captures could not be sent, as
    `verify` will say; the others were.

    A board that has moved here from another keeper, whose copy is in the same bucket under the
    same recovery key: --shared, once, takes over what is there.

    \b
    Examples:
      holdstill offsite upload --dry-run
      holdstill offsite upload --store /srv/holdstill
    """
    opened = as_owner.opened_at(options.store_address(store_address, settings_path))
    rule, runner = options.keeper_settings(settings_path, opened.root).retention, LocalRunner()
    if dry_run:
        cost = offsite_upload.count(opened, runner=runner)
        if as_json:
            options.print_json(cost)
        else:
            _say_cost(cost)
        return 0
    libc.give_back_memory()
    with progress.reporting(consoles.console(is_error=True)) as reporter:
        report = offsite_upload.upload(
            opened,
            clock=SystemClock(),
            runner=runner,
            progress=reporter,
            is_shared=is_shared,
            is_in_turn=is_in_turn,
            rule=rule,
        )
    if as_json:
        options.print_json(report)
    else:
        _say(report)
    tables.troubles(report.troubles, consoles.console(is_error=True))
    terminal.warn(*(f"warning: {text}" for text in report.warnings))
    return errors.worst(trouble.exit_code for trouble in report.troubles)


def _say_cost(cost: Cost) -> None:
    terminal.say(
        f"{counted(cost.captures, 'capture')}, {counted(cost.contents, 'content')} of "
        f"{human(cost.content_bytes)}",
        f"to be sent: about {human(cost.sent_bytes)}, {counted(cost.objects, 'object')}, "
        f"{counted(cost.puts, 'request')} that write and {cost.gets} that read",
        f"at your prices: about {cost.once:.2f} once, and {cost.month:.2f} a month",
    )


def _say(report: OffsiteReport) -> None:
    sent = report.sent
    terminal.say(*(f"{name} is off-site" for name in sent.captures))
    terminal.say(*(f"{name} has left for there" for name in report.left))
    if report.adopted:
        terminal.say(f"taken over from other keepers: {counted(report.adopted, 'pack')}")
    terminal.say(
        f"sent {counted(sent.packs, 'pack')} of {human(sent.bytes)} with "
        f"{counted(sent.contents, 'content')}; {counted(report.requests, 'request')}; locks "
        f"lengthened: {report.extended}; packs let go: {report.deleted}"
    )
