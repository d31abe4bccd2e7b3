"""The command `holdstill offsite key`."""

from __future__ import annotations

import os
from pathlib import Path

import click

from holdstill.cli import terminal
from holdstill.cli.offsite import paper
from holdstill.errors import UsageError
from holdstill.offsite.recovery_key import RecoveryKey
from holdstill.system import files
from holdstill.system.clocks import SystemClock


@click.command("key", short_help="Make a recovery key on another machine.")
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    help="Write the words into this new file as well, for machines that read them.",
)
def command(to: Path | None) -> None:
    r"""Make a recovery key, on a machine that is not the keeper, and print it for paper.

    The last line that is printed goes to the keeper: `offsite setup --public`. It opens nothing.

    \b
    Example:
      holdstill offsite key --to recovery-key.txt
    """
    if to is not None and os.path.lexists(to):
        raise UsageError(
            f"{to} is there already, and is left alone: it may be the only copy of a key",
            hint="name a new file with --to",
        )
    key = RecoveryKey.made()
    if to is not None:
        with files.opened(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW) as handle:
            files.write_all(handle, ("\n".join(key.lines) + "\n").encode())
    made_for = paper.MadeFor("", "", SystemClock().now())
    terminal.say(*paper.lines(key, made_for), "", "for the keeper:", key.of_keeper.text)
