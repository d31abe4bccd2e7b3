"""The keeper's watch for boards that have fallen silent."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.cli import options, tables
from holdstill.errors import DegradedError
from holdstill.keeper import store as keeper_store
from holdstill.notify import metrics
from holdstill.notify.recipients import AppriseRecipients
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import silence

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from rich.console import Console

    from holdstill.workflow.silence import BoardSilence


@click.command()
@options.settings_option(options.KEEPER_SETTINGS)
@options.json_option
def watch(settings_path: Path, *, as_json: bool) -> int:
    r"""Tell people, once, when a board has brought no good capture for days. A timer runs this.

    Exit code 8 says that at least one board is silent.

    \b
    Example:
      holdstill keeper watch --settings /etc/holdstill/keeper.yaml
    """
    settings = options.read_keeper_settings(settings_path)
    opened = keeper_store.open_store(settings.store)
    clock, people = (
        SystemClock(),
        AppriseRecipients(settings.notify.urls_file, BoundedRunner()),
    )
    states = silence.watch(opened, settings.notify, people, clock=clock, runner=LocalRunner())
    if settings.notify.metrics_file:
        text = metrics.rendered(silence.metrics(states))
        metrics.publish(settings.notify.metrics_file, text)
    if as_json:
        options.print_json(states)
    else:
        show(states, tables.console())
    if complaint := people.complaint():
        click.echo(f"holdstill: {complaint}", err=True)
    return DegradedError.exit_code if any(state.is_silent for state in states) else 0


def show(states: Sequence[BoardSilence], out: Console) -> None:
    """Show how the boards stand at the keeper."""
    if not states:
        out.print("no boards yet; `holdstill keeper enrol` adds one")
    for state in states:
        mark = "NEEDS A LOOK: " if state.is_silent else ""
        kept = f"{state.captures} capture" + ("s" if state.captures != 1 else "")
        out.print(f"{mark}{state.sentence}; {kept} kept")


COMMANDS = (watch,)
