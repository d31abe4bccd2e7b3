"""The questions of `holdstill setup`, and their defaults."""

from __future__ import annotations

import os
import socket
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from holdstill.cli import terminal
from holdstill.errors import HoldstillError, UsageError
from holdstill.model import names, store_address
from holdstill.transport.password_login import OneTimeLogin
from holdstill.workflow import enrol_board
from holdstill.workflow.setup import Answers, BoardFiles

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.transport.host_keys import HostKey


DEFAULT_TIME = "02:30"


STORE = "/srv/holdstill"


@dataclass(frozen=True)
class Given:
    """Answers that were given as options; `completed` asks for the others.

    Attributes:
        has_containers: whether encrypted containers are open on this board.
    """

    keeper: str
    board: str
    time: str
    disks: tuple[str, ...]
    root: str
    store_on_card: bool
    store_in_clear: bool
    has_containers: bool

    def completed(self) -> Answers:
        """Ask for what was not given."""
        if not is_terminal() and not (self.keeper and self.board):
            raise UsageError(
                "nobody can be asked: standard input is no terminal",
                hint="give --keeper and --board (and --fingerprint for a keeper behind SSH)",
            )
        keeper = self.keeper or click.prompt(
            "Where do captures go (ssh://user@host, or a directory)", value_proc=_address
        )
        board = self.board or click.prompt(
            "This board's name at the keeper", default=_hostname(), value_proc=_board
        )
        default = DEFAULT_TIME
        time = self.time or (
            click.prompt("Local time of the nightly run", default=default, value_proc=_time)
            if is_terminal()
            else default
        )
        in_clear = self.store_in_clear or self._agrees_to_clear()
        return Answers(keeper, board, time, self.disks, self.root, self.store_on_card, in_clear)

    def _agrees_to_clear(self) -> bool:
        """Ask, of a board with opened encrypted containers."""
        if not self.has_containers or not is_terminal():
            return False
        terminal.say(
            "This board has encrypted containers. A capture holds what is in them unencrypted: "
            "whoever can read the keeper's store can read it. Without that captures are refused, "
            "unless `leave_out` in the settings names them."
        )
        return click.confirm("Store it unencrypted at the keeper", default=False)


def is_terminal() -> bool:
    """Whether a person can be asked."""
    return sys.stdin.isatty()


def _hostname() -> str | None:
    name = socket.gethostname().partition(".")[0].lower()
    try:
        return str(names.check_board(name))
    except UsageError:
        return None


def _address(text: str) -> str:
    try:
        return str(store_address.parse(text.strip()))
    except UsageError as error:
        raise click.UsageError(f"{error}; {error.hint}") from error


def _board(text: str) -> str:
    try:
        return str(names.check_board(text.strip()))
    except UsageError as error:
        raise click.UsageError(str(error)) from error


def _time(text: str) -> str:
    try:
        Answers("/x", "x", text.strip()).settings()
    except HoldstillError as error:
        raise click.UsageError("write hours and minutes, such as 02:30") from error
    return text.strip()


def confirmed(machine: BoardFiles, fingerprint: str) -> HostKey | None:
    """Return the keeper's host key, confirmed by a person; None for a directory."""
    address = machine.settings.keeper
    pin = enrol_board.ask_host_key(address)
    if pin is None or (not fingerprint and enrol_board.is_pinned(machine, pin)):
        return pin
    if not fingerprint:
        fingerprint = _asked_fingerprint(pin)
    enrol_board.check_fingerprint(pin, fingerprint)
    return pin


def _asked_fingerprint(pin: HostKey) -> str:
    terminal.say(f"{pin.host} shows the host key {pin.fingerprint} ({pin.kind})")
    if not is_terminal():
        raise UsageError(
            "its fingerprint has to be confirmed",
            hint=f"read it at the keeper (`{enrol_board.at_keeper(pin)}`) and give it as "
            "--fingerprint",
        )
    terminal.say(f"At the keeper: {enrol_board.at_keeper(pin)}")
    if click.confirm("Does it print the same"):
        return pin.fingerprint
    return "the one that the keeper's own ssh-keygen prints"


def asked_login(key: Path | None, password: str | None) -> OneTimeLogin | None:
    """Return the login that was given; the password is read from where the option says."""
    if key is None and password is None:
        return None
    return OneTimeLogin(ask_password(password) if password else "", key)


def ask_password(place: str) -> str:
    """Read a password: never from arguments, which every user of this machine can see."""
    kind, _, name = place.partition(":")
    match kind:
        case "ask" if not name:
            return str(click.prompt("Password at the keeper", hide_input=True, err=True))
        case "env" if name in os.environ:
            return os.environ.pop(name)
        case "fd" if name.isdecimal():
            descriptor = int(name)
            try:
                with os.fdopen(descriptor, encoding="utf-8") as lines:
                    return lines.readline().rstrip("\r\n")
            except OSError as error:
                raise UsageError(
                    f"cannot read file descriptor {descriptor}: {error.strerror}"
                ) from error
        case "env":
            raise UsageError(f"there is no variable {name!r} in the environment")
        case _:
            raise UsageError(
                f"--login-password {place!r} says no place", hint="write ask, env:NAME or fd:N"
            )


def wants_capture() -> bool:
    """Ask whether to take the first capture now."""
    return is_terminal() and click.confirm("Take a first capture now")
