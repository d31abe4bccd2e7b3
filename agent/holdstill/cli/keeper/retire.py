"""The command `holdstill keeper retire`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import as_owner, completion, local_store, terminal
from holdstill.errors import HoldstillError, MachineError, PreflightError, UsageError
from holdstill.keeper import authorized_keys, enrolment, session_slots
from holdstill.model import names, sizes
from holdstill.system.clocks import SystemClock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName


@click.command("retire", short_help="Withdraw a board's key; its captures stay.")
@click.argument("store", type=click.Path(path_type=Path, readable=False))
@click.argument("board", shell_complete=completion.boards)
def command(store: Path, board: str) -> None:
    r"""Let a board in no more: it was taken out of service, stolen or broken into.

    Its captures stay, can be rebuilt, and are verified by the key that signed them. Nothing is
    sealed with that key any more, not even by a run that goes on now. `holdstill keeper watch`
    expects nothing of the board until `holdstill keeper enrol` gives it another key.

    \b
    Example:
      holdstill keeper retire /srv/holdstill pier-3
    """
    # The owner's authorized_keys are meant, whatever becomes of the store.
    try:
        opened = as_owner.opened(store, even_read_only=True)
    except (UsageError, MachineError) as error:  # its disk is not mounted, say
        error.add_note(
            f"until then the line with `--board {board}` in the keeper's authorized_keys lets it "
            "in; you can take that out by hand"
        )
        raise
    try:
        name = local_store.enrolled(opened, board)
        old = enrolment.read(opened, name)
    except (HoldstillError, OSError) as error:  # which keys it has, nobody can tell
        _shut_out_by_name(opened, names.check_board(board), error)
        raise
    had, failed = old.live_keys, list[str]()
    # Each has to work where the other does not: a store or a home that is full, or read-only.
    try:
        shut_out(opened, old.every_key, board=name)
    except OSError as error:
        failed.append(
            f"{error.filename} cannot be written: {error.strerror}; until the line of {name} is "
            "out of authorized_keys, its key can still ask, and is refused"
        )
    try:
        enrolment.retire(opened, name, clock=SystemClock())
    except OSError as error:
        failed.append(
            f"{enrolment.path_of(opened, name)} cannot be written: {error.strerror}; the keeper "
            "would still take what that key signed"
        )
    end_sessions(opened, name)
    if failed:
        raise PreflightError("; ".join(failed), hint="when it can be written, type the same again")
    terminal.say(
        f"{name}'s key is withdrawn; its captures stay"
        if had
        else f"{name} had no key in use any more"
    )


def _shut_out_by_name(store: Store, board: BoardName, error: Exception) -> None:
    """Take a board's lines out of authorized_keys although its enrolment cannot be read."""
    try:
        path, gone, _ = authorized_keys.shut_out(store, (), Path.home(), name=board)
    except OSError as second:
        error.add_note(
            f"{second.filename} cannot be written: {second.strerror}; until the line with "
            f"`--board {board}` is out of authorized_keys, that lets the board in"
        )
        return
    end_sessions(store, board)
    if gone:
        error.add_note(
            f"{sizes.counted(gone, 'line')} with `--board {board}` went out of {path} all the "
            "same; when the enrolment can be read, type this again: it withdraws the key"
        )


def end_sessions(store: Store, board: BoardName) -> None:
    """End what a board has open with a key that is withdrawn; say so."""
    if ended := session_slots.end_all(store.root, board):
        terminal.say(f"{sizes.counted(ended, 'session')} of {board} ended")


def shut_out(store: Store, keys: Sequence[str], *, board: str = "") -> None:
    """Take the lines with keys that are withdrawn out of this user's authorized_keys; say so.

    So do all lines of a board that is named.
    """
    if not (keys or board):
        return
    path, gone, kept = authorized_keys.shut_out(store, keys, Path.home(), name=board)
    for purpose in kept:
        terminal.warn(f"{path} still lets that key in to another store: {purpose}")
    if gone:
        terminal.say(f"{sizes.counted(gone, 'line')} with a withdrawn key went out of {path}")
    else:
        terminal.warn(
            f"no line with a withdrawn key is in {path}; if sshd reads keys from elsewhere, take "
            "it out there: with it a board can still read its own captures"
        )
