"""The command `holdstill keeper serve`."""

from __future__ import annotations

import os
from pathlib import Path

import click

from holdstill.cli import as_owner, options
from holdstill.keeper import ssh_server
from holdstill.model import names
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner


@click.command("serve", short_help="Serve one board over SSH (forced command).")
@click.option("--store", required=True, type=click.Path(path_type=Path))
@click.option("--board", required=True)
@options.settings_option(options.KEEPER_SETTINGS)
def command(store: Path, board: str, settings_path: Path) -> int:
    r"""Answer one board over SSH; sshd runs this for the board's key, people never need to.

    Takes what was asked for from SSH_ORIGINAL_COMMAND: the control channel, or one rsync of ours.

    \b
    Example, as the line of `keeper enrol` in authorized_keys has it:
      holdstill keeper serve --store /srv/holdstill --board pier-3
    """
    settings = options.keeper_settings(settings_path, store)
    return ssh_server.forced_command(
        as_owner.opened(store),
        names.check_board(board),
        os.environ.get("SSH_ORIGINAL_COMMAND", ""),
        settings=settings,
        clock=SystemClock(),
        runner=LocalRunner(),
    )
