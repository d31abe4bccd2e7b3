"""The command `holdstill connect`."""

from __future__ import annotations

import getpass
import re
import socket
from typing import TYPE_CHECKING

import click

from holdstill.cli import open_capture, options, reader_files, terminal
from holdstill.cli.setup_questions import STORE, as_address, confirmed
from holdstill.errors import HoldstillError, LinkError, PreflightError, UsageError
from holdstill.model.store_address import HostAddress
from holdstill.records import signature
from holdstill.system import files
from holdstill.system.process import Command, LocalRunner
from holdstill.transport import host_keys
from holdstill.workflow import before_start, enrol_board, needed_programs

if TYPE_CHECKING:
    from holdstill.cli.reader_files import ReaderFiles


@click.command("connect", short_help="Read captures over SSH from this machine.")
@click.argument("keeper")
@click.option(
    "--fingerprint", default="", help="The keeper's host key, SHA256:..., as read there."
)
@click.option("--store", default=STORE, show_default=True, help="The store's path at the keeper.")
def command(keeper: str, fingerprint: str, store: str) -> None:
    r"""Make a reading key for this machine, pin the keeper, and see what may be read.

    From then on `holdstill list`, `show`, `find`, `get`, `compare` and `rebuild` need no further
    options here. Cards are written by root: then connect as root, too (`sudo holdstill connect`).
    A key that was made elsewhere is used if it lies where this command would make one; without
    one, the line to be pasted at the keeper is printed.

    \b
    Example:
      holdstill connect ssh://keeper@boathouse
    """
    address = as_address(keeper)
    if not isinstance(address, HostAddress):
        raise UsageError(
            f"{keeper} is a directory of this machine", hint="`--store DIRECTORY` reads that"
        )
    enrol_board.check_store(store)
    mine = reader_files.of_this_user()
    is_made = mine.key.exists()
    before_start.refuse(
        [
            *before_start.of_programs(needed_programs.of_reading(address)),
            *(before_start.of_key(mine.key) if is_made else ()),
        ]
    )
    if is_made:
        try:  # before the keeper's key is pinned
            signature.public_half(mine.key, LocalRunner())
        except UsageError as error:
            raise UsageError(
                str(error),
                hint="put one without a passphrase there, or move it away and say this again: "
                "then a key is made",
            ) from error
    pin = confirmed(address, mine.host_keys, fingerprint)
    assert pin is not None  # noqa: S101  it is no directory
    mine.make_folder()
    host_keys.write(mine.host_keys, pin)
    public = _public(mine)
    files.publish(mine.address, f"{address}\n".encode(), mode=0o644)
    try:
        with open_capture.library(address, options.Access(mine.key, mine.host_keys)) as library:
            terminal.say(f"{address} lets this key read {', '.join(library.boards) or 'no board'}")
    except (LinkError, PreflightError) as error:
        _ask_to_let_in(error, public, store)
        return
    words = ""
    if options.is_seen(options.BOARD_SETTINGS) or options.is_seen(options.KEEPER_SETTINGS):
        words = f" --store {address} --key {mine.key} --host-keys {mine.host_keys}"
        terminal.say("this machine is a board or a keeper, whose own store comes first here")
    terminal.say(
        f"what to do with it: `holdstill list{words}`, `holdstill rebuild BOARD TARGET{words}`"
    )


def _public(mine: ReaderFiles) -> str:
    runner = LocalRunner()
    if not mine.key.exists():
        words = ("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", _name(), "-f")
        runner.run(Command.of(*words, mine.key))
        terminal.say(f"made {mine.key}")
    return signature.public_half(mine.key, runner)


def _name() -> str:
    """Return a name for this reader at the keeper: who, and where."""
    name = f"{getpass.getuser()}-{socket.gethostname().partition('.')[0]}".lower()
    return re.sub(r"[^a-z0-9]+", "-", name).strip("-")[:63].rstrip("-") or "reader"


def _ask_to_let_in(error: HoldstillError, public: str, store: str) -> None:
    terminal.say(
        f"not yet: {error}",
        "Paste this line into a shell of the keeper's user, at the keeper (or, with sudo before "
        "`holdstill`, into your own; with --board NAME for one board only), and say the same here "
        "again:\n",
        f"echo '{public}' | holdstill keeper reader add {store} {_name()} --key - --let-in\n",
    )
