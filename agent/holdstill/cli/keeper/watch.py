"""The command `holdstill keeper watch`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill import errors
from holdstill.cli import as_owner, consoles, keeper_status, options, terminal
from holdstill.errors import DegradedError, HoldstillError, PreflightError
from holdstill.model.layout import Record
from holdstill.notify import metrics
from holdstill.notify.recipients import AppriseRecipients
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import explain, silence
from holdstill.workflow.silence import BoardSilence

if TYPE_CHECKING:
    from pathlib import Path


class WatchOutput(Record, frozen=True, kw_only=True):
    """What `keeper watch --json` prints."""

    boards: tuple[BoardSilence, ...]
    store: tuple[str, ...]
    alarms: tuple[str, ...]


@click.command("watch", short_help="Report boards that have fallen silent.")
@options.settings_option(options.KEEPER_SETTINGS)
@options.json_option
def command(settings_path: Path, *, as_json: bool) -> int:
    r"""Tell people, once, when a board has brought no good capture for days. A timer runs this.

    They are told as well when captures of a board are missing, known to be damaged, or look
    tampered with, or the store's disk is full or its folders are not as they should be. A store
    that cannot be used, as when its disk is not mounted, is told at every look.

    Exit code 8 means that at least one board is silent, that the store needs a look, or that
    people cannot all be told; 7 that captures are missing or damaged; 9 that a board looks
    tampered with; 2, 4 and 7 that the store cannot be used.

    \b
    Example:
      holdstill keeper watch --settings /etc/holdstill/keeper.yaml
    """
    clock = SystemClock()
    try:
        settings = options.read_keeper_settings(settings_path)
    except HoldstillError as error:
        # No board can capture by them: people are told, if it is known whom.
        if (part := options.keeper_notify(settings_path)) is not None:
            people = AppriseRecipients(part.notify.urls_file, BoundedRunner())
            told = silence.tell_of_store(part.store, error, people, clock=clock)
            terminal.warn(*(f"holdstill: {trouble}" for trouble in told))
        raise
    people = AppriseRecipients(settings.notify.urls_file, BoundedRunner())
    try:
        opened = as_owner.opened(settings.store)
        looked = silence.watch(opened, settings, people, clock=clock, runner=LocalRunner())
    except PreflightError:  # somebody typed this who may not: no reason to alarm anybody
        raise
    except (HoldstillError, OSError) as error:
        if (known := explain.explained(error)) is not None:
            told = silence.tell_of_store(settings.store, known, people, clock=clock)
            terminal.warn(*(f"holdstill: {trouble}" for trouble in told))
        raise
    if settings.notify.metrics_file:
        text = metrics.rendered(silence.metrics(looked))
        metrics.publish(settings.notify.metrics_file, text)
    alarms = silence.alarm_troubles(opened, people)
    if as_json:
        options.print_json(WatchOutput(boards=looked.boards, store=looked.store, alarms=alarms))
    else:
        keeper_status.show(looked, consoles.console(), alarms=alarms)
    return errors.worst((looked.exit_code, DegradedError.exit_code if alarms else 0))
