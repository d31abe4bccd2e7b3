"""Commands for the host that keeps captures."""

from __future__ import annotations

import importlib
import os
import sys
from pathlib import Path

import click

from holdstill.cli import tables
from holdstill.errors import UsageError
from holdstill.keeper import annotations as marks
from holdstill.keeper import enrolment, ssh_server
from holdstill.keeper import store as stores
from holdstill.model import names
from holdstill.records import signature
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner


class KeeperCommands(click.Group):
    """The commands below, and `watch`, which only its timer and people import."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return their names."""
        return sorted([*super().list_commands(ctx), "watch"])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return one of them, None when there is no such command."""
        if cmd_name != "watch":
            return super().get_command(ctx, cmd_name)
        (command,) = importlib.import_module("holdstill.cli.watch").COMMANDS
        assert isinstance(command, click.Command)  # noqa: S101
        command.help = (command.help or "").replace("\\b\n", "\b\n")  # as main does for all
        return command


@click.group("keeper", cls=KeeperCommands)
def keeper() -> None:
    """Set up and serve the store, on the host that keeps captures. Needs no root."""


@keeper.command()
@click.argument("store", type=click.Path(path_type=Path))
def init(store: Path) -> None:
    r"""Make a store in a new or empty directory, and say what its file system can do.

    \b
    Example:
      holdstill keeper init /srv/holdstill
    """
    is_old = (store / "store.yaml").is_file()
    made = stores.create(store.absolute(), clock=SystemClock())
    out = tables.console()
    if is_old:
        boards = ", ".join(made.boards()) or "none yet"
        out.print(
            f"{made.root} is a store already, made {made.facts.created}; nothing was changed. "
            f"Boards: {boards}"
        )
    else:
        out.print(f"{made.root} is a store now")
    tables.warnings(made.facts.abilities.complaints(), out)


@keeper.command()
@click.argument("store", type=click.Path(path_type=Path))
@click.argument("board")
@click.option(
    "--key",
    "key_file",
    required=True,
    type=click.Path(path_type=Path, allow_dash=True),
    help="The board's public key file (.pub); - for standard input.",
)
@click.option("--from", "sources", default="", help="Accept the key only from these addresses.")
@click.option(
    "--let-in", "lets_in", is_flag=True,
    help="Put the line into ~/.ssh/authorized_keys instead of printing it.",
)  # fmt: skip
def enrol(store: Path, board: str, key_file: Path, sources: str, *, lets_in: bool) -> None:
    r"""Let a board add captures, and print the line for this user's authorized_keys file.

    A board's key can add captures of its own board and read those; nothing else.

    \b
    Examples:
      holdstill keeper enrol /srv/holdstill pier-3 --key pier-3.pub
      holdstill keeper enrol /srv/holdstill pier-3 --key pier-3.pub --let-in
    """
    opened = stores.open_store(store.absolute())
    name = names.check_board(board)
    public = signature.check_public_key(_read_key(key_file))
    # The line first: whoever gives addresses that cannot be written in it has enrolled nobody.
    line = enrolment.authorized_line(opened, name, public, program=_program(), sources=sources)
    enrolment.enrol(opened, name, public, clock=SystemClock(), limits=None)
    if lets_in:
        click.echo(f"{name} is enrolled, and let in by {enrolment.let_in(line, Path.home())}")
        return
    click.echo(f"{name} is enrolled. Add this line to ~/.ssh/authorized_keys:", err=True)
    click.echo(line)


@keeper.command()
@click.option("--store", required=True, type=click.Path(path_type=Path))
@click.option("--board", required=True)
def serve(store: Path, board: str) -> int:
    r"""Answer one board over SSH; sshd runs this for the board's key, nobody else needs to.

    Takes what was asked for from SSH_ORIGINAL_COMMAND: the control channel, or one rsync of ours.

    \b
    Example, as the line of `keeper enrol` in authorized_keys has it:
      holdstill keeper serve --store /srv/holdstill --board pier-3
    """
    return ssh_server.forced_command(
        stores.open_store(store),
        names.check_board(board),
        os.environ.get("SSH_ORIGINAL_COMMAND", ""),
        clock=SystemClock(),
        runner=LocalRunner(),
    )


def _program() -> tuple[str, ...]:
    """Return the words by which sshd starts this very program."""
    script = Path(sys.argv[0]).absolute()
    if os.access(script, os.X_OK):
        return (str(script),)
    return (sys.executable, "-B", "-m", "holdstill")  # that is how it was started


@keeper.command()
@click.argument("store", type=click.Path(path_type=Path))
@click.argument("board")
@click.option("--reason", required=True, help="What happened; it is written into the ledger.")
def accept(store: Path, board: str, reason: str) -> None:
    r"""Go on with a board whose ledger was damaged, once you know how that came about.

    A ledger that does not add up may be an attacker's work. Nothing of the board is sealed or
    deleted until its owner has looked, and says so with this command.

    \b
    Example:
      holdstill keeper accept /srv/holdstill pier-3 --reason "restored from the old disk"
    """
    opened = stores.open_store(store.absolute())
    marks.accept(opened, names.check_board(board), reason, clock=SystemClock())


def _read_key(path: Path) -> str:
    try:
        return sys.stdin.read() if str(path) == "-" else path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"cannot read the public key {path}: {error}") from error


COMMANDS = (keeper,)
