"""Has the board enrolled at its keeper, or waits until a person has done that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from holdstill.cli import terminal, wiring
from holdstill.errors import HoldstillError, PreflightError, SecurityError
from holdstill.model.sizes import human
from holdstill.model.store_address import FolderAddress, HostAddress
from holdstill.system.clocks import SystemClock
from holdstill.transport.password_login import OneTimeLogin
from holdstill.workflow import enrol_board

if TYPE_CHECKING:
    from holdstill.transport.host_keys import HostKey
    from holdstill.workflow.setup import BoardFiles

from holdstill.cli.setup_questions import ask_password, is_terminal


@dataclass(frozen=True)
class KeeperAccess:
    """How the board is enrolled: the store's path at the keeper, and a login if one was given."""

    store: str
    login: OneTimeLogin | None


def enrol(machine: BoardFiles, public: str, pin: HostKey | None, access: KeeperAccess) -> bool:
    """Have the board enrolled; return whether the keeper answers it."""
    address = machine.settings.keeper
    if isinstance(address, FolderAddress):
        enrol_board.enrol_here(machine, address, public, SystemClock())
    if answers(machine):
        return True
    if isinstance(address, HostAddress) and pin is not None and access.login is not None:
        output = enrol_board.enrol_there(
            machine, address, public, access.store, pin=pin, login=access.login
        )
        terminal.say(f"The keeper answered: {output}")
        return answers(machine)
    terminal.say(
        "Paste this line into a shell of the keeper's user, at the keeper (or, with sudo before "
        "`holdstill`, into your own):\n"
    )
    terminal.say(enrol_board.line_for_keeper(machine, public, access.store) + "\n")
    return _awaited(machine, public, pin, access)


def _awaited(machine: BoardFiles, public: str, pin: HostKey | None, access: KeeperAccess) -> bool:
    """Wait until the line is pasted at the keeper, a login is given, or the person puts it off."""
    address = machine.settings.keeper
    words = (
        "Press Enter when it is done, or write `later`, or `login` to give that user's password"
    )
    while is_terminal():
        word = click.prompt(words, default="now", show_default=False).strip()
        if word == "later":
            return False
        if word == "login" and pin is not None and isinstance(address, HostAddress):
            try:
                login = OneTimeLogin(ask_password("ask"))
                terminal.say(
                    enrol_board.enrol_there(
                        machine, address, public, access.store, pin=pin, login=login
                    )
                )
            except HoldstillError as error:
                terminal.say(f"{error}; {error.hint}")
                continue
        why = _unanswered(machine)
        if why is None:
            return True
        terminal.warn(f"It does not answer this board yet: {why}")
    return False


def answers(machine: BoardFiles) -> bool:
    """Whether the keeper answers this board; if so, that is said; it raises as below."""
    return _unanswered(machine) is None


def _unanswered(machine: BoardFiles) -> HoldstillError | None:
    """Return why the keeper does not answer this board; None if it does, which is said.

    Raises:
        SecurityError: it answers as somebody else would, which nobody is to paste a line into.
        PreflightError: it lets the board in, and cannot serve it.
    """
    try:
        with wiring.reached_keeper(machine.from_here) as keeper:
            hello = keeper.hello()
    except (SecurityError, PreflightError):
        raise
    except HoldstillError as error:
        return error
    terminal.say(f"The keeper answers; this board may bring {human(hello.free_bytes)} today")
    return None
