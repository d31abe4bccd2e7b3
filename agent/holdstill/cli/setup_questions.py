"""The questions of `holdstill setup`, and their defaults."""

from __future__ import annotations

import os
import re
import socket
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.cli import terminal
from holdstill.errors import UsageError
from holdstill.model import names, store_address
from holdstill.transport.password_login import OneTimeLogin
from holdstill.workflow import enrol_board
from holdstill.workflow.setup import Answers

if TYPE_CHECKING:
    from holdstill.model.settings import BoardSettings
    from holdstill.model.store_address import Address, StoreAddress
    from holdstill.transport.host_keys import HostKey


DEFAULT_TIME = "02:30"
_FINGERPRINT = re.compile(r"SHA256:[A-Za-z0-9+/]{43}=?")
"""As `ssh-keygen -l` prints one: SHA-256 in unpadded base64."""


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

    def completed(self, top: Path) -> Answers:
        """Ask for what was not given, and cannot be found out of the system below top."""
        board = self.board or discovered_name(top)
        if not is_terminal() and not (self.keeper and board):
            raise UsageError(
                "nobody can be asked: standard input is no terminal",
                hint="give --keeper and --board (and --fingerprint for a keeper behind SSH)",
            )
        keeper = self.keeper or click.prompt(
            "Where do captures go (ssh://user@host, or a directory)", value_proc=_address
        )
        if not board:
            board = click.prompt("This board's name at the keeper", value_proc=_board)
        elif not self.board:
            terminal.say(f"the board is called {board}, by its host name (--board: otherwise)")
        time = f"{self.time:0>5}" if self.time else DEFAULT_TIME  # 2:30 is 02:30
        in_clear = self.store_in_clear or self._agrees_to_clear()
        return Answers(
            _full(keeper), board, time, self.disks, self.root, self.store_on_card, in_clear
        )

    def differences(self, settings: BoardSettings) -> list[str]:
        """Return the options that say otherwise than the settings which are there."""
        nightly = settings.nightly.time
        pairs = {
            "--keeper": (_full(self.keeper), str(settings.keeper)),
            "--board": (self.board, settings.board),
            "--time": (f"{self.time:0>5}" if self.time else "", nightly),
            "--disk": (" ".join(self.disks), " ".join(map(str, settings.disks))),
            "--board-root": (self.root, str(settings.root)),
        }
        return [option for option, (given, there) in pairs.items() if given and given != there]

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


def check_terminal(option: str) -> None:
    """Raise if no person can be asked; an option of this name does without asking.

    Raises:
        UsageError: standard input is no terminal.
    """
    if not is_terminal():
        raise UsageError(
            "nobody can be asked: standard input is no terminal; nothing was done",
            hint=f"if you are sure, say {option}",
        )


_COMMON = frozenset(
    {"localhost", "raspberrypi", "debian", "armbian", "dietpi", "orangepi", "ubuntu", "linux"}
)
"""Host names of systems as they are delivered (from memory): no names for one board of several."""


def discovered_name(top: Path) -> str:
    """Return the name that the system below top gives itself; "" if it would not do."""
    here = socket.gethostname() if top == Path("/") else ""
    with suppress(OSError, UnicodeError):
        here = here or (top / "etc/hostname").read_text(encoding="ascii").strip()
    name = here.partition(".")[0].lower()
    return name if names.is_board(name) and name not in _COMMON else ""


def _full(keeper: str) -> str:
    """Return an address as the settings have it, if it is one."""
    with suppress(UsageError):
        return str(as_address(keeper))
    return keeper


def as_address(text: str) -> Address:
    """Read a keeper's address as people write it: user@host will do.

    Raises:
        UsageError: it is none.
    """
    plain = text.strip()
    is_short = "@" in plain and not plain.startswith(("/", "ssh://"))
    return store_address.parse(f"ssh://{plain}" if is_short else plain)


def _address(text: str) -> str:
    try:
        return str(as_address(text))
    except UsageError as error:
        raise click.UsageError(f"{error}; {error.hint}") from error


def _board(text: str) -> str:
    try:
        return str(names.check_board(text.strip()))
    except UsageError as error:
        raise click.UsageError(str(error)) from error


def confirmed(address: StoreAddress, host_keys: Path, fingerprint: str) -> HostKey | None:
    """Return the keeper's host key, confirmed by a person or pinned already; None for a folder."""
    if fingerprint and _FINGERPRINT.fullmatch(fingerprint.strip()) is None:
        raise UsageError(
            f"{fingerprint!r} is no fingerprint of a host key",
            hint="it is SHA256: and 43 characters; at the keeper, `ssh-keygen -lf "
            "/etc/ssh/ssh_host_ed25519_key.pub` prints it",
        )
    pin = enrol_board.ask_host_key(address)
    if pin is None or (not fingerprint and enrol_board.is_pinned(host_keys, pin)):
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
            raise UsageError(
                f"there is no variable {name!r} in the environment",
                hint="export it first (sudo leaves variables out), or write ask",
            )
        case _:
            raise UsageError(
                f"--login-password {place!r} says no place", hint="write ask, env:NAME or fd:N"
            )


def wants_capture() -> bool:
    """Ask whether to take the first capture now."""
    return is_terminal() and click.confirm("Take a first capture now")
