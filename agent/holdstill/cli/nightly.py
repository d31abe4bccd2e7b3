"""The command `holdstill nightly`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from holdstill.board import all_day, tmpfs
from holdstill.cli import daemon_wiring, options, terminal
from holdstill.daemon.nightly_daemon import Nightly
from holdstill.schedule import state_file
from holdstill.system import termination
from holdstill.system.clocks import SystemClock
from holdstill.system.termination import TerminationRequested
from holdstill.workflow import before_start

if TYPE_CHECKING:
    from pathlib import Path


@click.command("nightly", short_help="Run the daemon that captures every night.")
@options.settings_option(options.BOARD_SETTINGS)
def command(settings_path: Path) -> None:
    r"""Capture this board by itself, night by night, until told to stop. systemd runs this.

    When, and whom to tell how it went, stands in the settings under `nightly` and `notify`. A
    run that was missed is made up for; while the keeper is away it is tried again.

    \b
    Example:
      holdstill nightly --settings /etc/holdstill/board.yaml
    """
    settings = options.read_board_settings(settings_path)
    for obstacle in before_start.of_board(settings):  # each night would fail by it
        terminal.warn(f"holdstill: {obstacle}", f"what to do: {obstacle.hint}")
    place = tmpfs.choose(settings.spool)
    with state_file.held(place), all_day.opened(SystemClock()) as kept:
        life = Nightly(
            settings.board,
            daemon_wiring.daemon_dependencies(settings, settings_path, place, kept),
            retry_hours=settings.nightly.retry_hours,
            silent_days=settings.notify.silent_days,
        )
        try:
            with termination.stoppable():
                life.run()
        except TerminationRequested:
            life.stop()
