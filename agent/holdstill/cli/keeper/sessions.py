"""The command `holdstill keeper sessions`."""

from __future__ import annotations

import os
import socket
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import main, options
from holdstill.cli.keeper import serve
from holdstill.errors import UsageError
from holdstill.keeper.session_host import SessionHost
from holdstill.model import strict_yaml
from holdstill.system import listening

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

IMPORTED = (
    "encodings.ascii",
    "holdstill.keeper.fetch_staging",
    "holdstill.keeper.local",
    "holdstill.keeper.reader_server",
    "holdstill.keeper.ssh_command",
    "holdstill.keeper.ssh_server",
    "holdstill.workflow.after_capture",
)
"""What sessions use."""
IDLE = 600.0
_ONE_OF = ({"--store", "--board", "--key"}, {"--store", "--reader", "--key"})
"""The options that a line in authorized_keys has."""


@click.command("sessions", short_help="Answer boards by forks of one process.")
@click.option(
    "--socket", "path", type=click.Path(path_type=Path), help="Listen here, without systemd."
)
def command(path: Path | None) -> int:
    r"""Answer sessions of boards and readers by forks of one process.

    The unit holdstill-keeper-sessions starts this when a session comes, and people never need to.
    Without it each session imports all anew: as safe, but slower, and with more memory.

    \b
    Examples: the unit's line, and by hand as the store's owner
      holdstill keeper sessions
      holdstill keeper sessions --socket /run/user/1000/sessions.sock
    """
    _prepare()
    with _listener(path) as listener:
        SessionHost(listener, answer, idle=IDLE).run()
    return 0


def _prepare() -> None:
    """Have at hand what each session would make for itself: once made, it is shared."""
    for name in IMPORTED:
        import_module(name)
    from holdstill.keeper import json_rpc, ledger  # noqa: PLC0415  now that all is imported
    from holdstill.keeper.account import Balance  # noqa: PLC0415
    from holdstill.keeper.enrolment import Enrolment  # noqa: PLC0415
    from holdstill.keeper.store import StoreFacts  # noqa: PLC0415
    from holdstill.model.manifest import Manifest  # noqa: PLC0415
    from holdstill.model.settings import KeeperSettings  # noqa: PLC0415

    strict_yaml.prepare(
        (StoreFacts, Enrolment, KeeperSettings, Balance, Manifest, ledger.Line, json_rpc.Call)
    )


def _listener(path: Path | None) -> AbstractContextManager[socket.socket]:
    """Return what systemd hands over, or a socket at a path."""
    if path is not None:
        return listening.at_path(path, socket.SOCK_SEQPACKET)
    sockets = listening.handed_over()
    if len(sockets) != 1:
        raise UsageError(
            "systemd hands over no socket here",
            hint="start the unit holdstill-keeper-sessions.socket; or name one with --socket",
        )
    return sockets[0]


def answer(words: list[str]) -> int:
    """Do what the words of a session say, and return the exit code.

    Those of a line in authorized_keys are read here: to have them read by the command line's own
    parser costs each session 2 MiB, for to use what is shared is to copy it (fork(2)).
    """
    given = dict(zip(words[2::2], words[3::2], strict=False))
    if len(words) != 8 or words[:2] != ["keeper", "serve"] or given.keys() not in _ONE_OF:
        return main.run(words)
    return main.concluded(
        words,
        lambda: serve.answer(
            Path(given["--store"]),
            given.get("--board"),
            given.get("--reader"),
            given["--key"],
            Path(os.environ.get("HOLDSTILL_SETTINGS") or options.KEEPER_SETTINGS),
        ),
    )
