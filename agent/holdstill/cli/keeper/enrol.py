"""The command `holdstill keeper enrol`."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from holdstill.cli import as_owner, terminal
from holdstill.cli.keeper.retire import end_sessions, shut_out
from holdstill.errors import PreflightError, UsageError
from holdstill.keeper import enrolment
from holdstill.model import names
from holdstill.records import signature
from holdstill.system.clocks import SystemClock


@click.command("enrol", short_help="Admit a board with its public key.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@click.argument("board")
@click.option(
    "--key",
    "key_file",
    required=True,
    type=click.Path(path_type=Path, allow_dash=True, readable=False),
    help="The board's public key file (.pub); - for standard input.",
)
@click.option("--from", "sources", default="", help="Accept the key only from these addresses.")
@click.option(
    "--let-in", "lets_in", is_flag=True,
    help="Put the line into ~/.ssh/authorized_keys instead of printing it.",
)  # fmt: skip
@click.option(
    "--replace-key", "replaces", is_flag=True,
    help="Withdraw the key that the board has; this one takes its place.",
)  # fmt: skip
def command(
    store: Path, board: str, key_file: Path, sources: str, *, lets_in: bool, replaces: bool
) -> None:
    r"""Let a board add captures, and print the line for this user's authorized_keys file.

    A board's key can add captures of its own board and read those; nothing else. A board that is
    enrolled with another key is refused, unless --replace-key says that this one is meant.

    \b
    Examples:
      holdstill keeper enrol /srv/holdstill pier-3 --key pier-3.pub
      holdstill keeper enrol /srv/holdstill pier-3 --key pier-3.pub --let-in
      holdstill keeper enrol /srv/holdstill pier-3 --key new.pub --let-in \
        --replace-key
    """
    opened = as_owner.opened(store)
    name = names.check_board(board)
    public = signature.check_public_key(_read_key(key_file))
    # The line first: addresses that cannot be written in it must not leave a board enrolled.
    line = enrolment.authorized_line(opened, name, public, program=_program(), sources=sources)
    was_known = name in opened.boards() and public in enrolment.read(opened, name).live_keys
    if replaces:
        fresh = enrolment.replace_key(opened, name, public, clock=SystemClock())
        shut_out(opened, fresh.retired_keys)
        if not was_known:
            end_sessions(opened, name)
    else:
        enrolment.enrol(opened, name, public, clock=SystemClock(), limits=None)
    done = f"{name} was enrolled with this key already" if was_known else f"{name} is enrolled"
    if lets_in:
        terminal.say(f"{done}, and let in by {_let_in(line, Path.home(), done)}")
        return
    terminal.warn(f"{done}. Add this line to {Path.home()}/.ssh/authorized_keys:")
    terminal.say(line)


def _let_in(line: str, home: Path, done: str) -> Path:
    try:
        return enrolment.let_in(line, home)
    except PermissionError as error:
        raise PreflightError(
            f"{done}, but not let in: the owner of the store may not write {error.filename}",
            hint="so nobody who gets at the store can add a key. As root, add this line to "
            f"{home}/.ssh/authorized_keys: {line}",
        ) from error


def _program() -> tuple[str, ...]:
    """Return the command by which sshd starts this very program."""
    script = Path(sys.argv[0]).absolute()
    if os.access(script, os.X_OK):
        return (str(script),)
    return (sys.executable, "-B", "-m", "holdstill")  # that is how it was started


def _read_key(path: Path) -> str:
    text = _read_text(path)
    if "PRIVATE KEY-----" in text:
        raise UsageError(
            f"{'this' if str(path) == '-' else path} is a private key, which nobody but the board "
            "may have",
            hint="delete it here, and give the .pub file beside it on the board; where others "
            "may have read it, make a new pair there (`rm` the old one, then `holdstill setup`)",
        )
    return text


def _read_text(path: Path) -> str:
    try:
        return sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        raise UsageError(
            f"there is no file {path}",
            hint="`--key` names the board's public key, such as pier-3.pub; `holdstill setup` "
            "prints it on the board",
        ) from error
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no text"
        raise UsageError(
            f"cannot read the public key {path}: {why}",
            hint="the store's owner has to be able to read it; with `--key - < FILE` it is enough "
            "that your shell can",
        ) from error
