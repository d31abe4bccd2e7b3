"""The command `holdstill setup`."""

from __future__ import annotations

import os
import shutil
import socket
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console

from holdstill.board import path_filter
from holdstill.cli import options, progress, tables, wiring
from holdstill.errors import HoldstillError, PreflightError, UsageError
from holdstill.model import names, store_address
from holdstill.model import settings as model_settings
from holdstill.model.store_address import FolderAddress
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.system.time_limited import BoundedRunner
from holdstill.transport.password_login import OneTimeLogin
from holdstill.workflow import capture as workflow_capture
from holdstill.workflow import inspect as workflow_inspect
from holdstill.workflow import setup as workflow_setup
from holdstill.workflow.setup import Answers, Machine

if TYPE_CHECKING:
    from holdstill.model.settings import BoardSettings
    from holdstill.transport.host_keys import HostKey


DEFAULT_TIME = "02:30"


STORE = "/srv/holdstill"


_UNIT_FOLDERS = (
    Path(sys.prefix) / "share/holdstill/systemd",
    Path(__file__).parents[3] / "systemd",  # a checkout of the repository
)


@click.command("setup", short_help="Set up this board for nightly captures.")
@click.option("--keeper", default="", help="Where captures go: ssh://user@host, or a directory.")
@click.option("--board", default="", help="The board's name at the keeper.")
@click.option("--time", "time_", default="", help="Local time of the nightly run, HH:MM.")
@click.option(
    "--fingerprint", default="", help="The keeper's host key, SHA256:..., as read there."
)
@click.option(
    "--login-key", type=click.Path(path_type=Path),
    help="Enrol this board at the keeper with this private key of yours, used once.",
)  # fmt: skip
@click.option(
    "--login-password", metavar="ask|env:NAME|fd:N",
    help="The same with the account's password (with --login-key, the key's): asked at the "
    "terminal, or from a variable or a file descriptor. It is not kept.",
)  # fmt: skip
@click.option("--store", default=STORE, show_default=True, help="The store's path at the keeper.")
@click.option("--disk", default="", help="The card's device. Default: the one that root is on.")
@click.option("--board-root", default="", help="Where the board's root is mounted. Default: /")
@click.option("--replace", is_flag=True, help="Write the settings anew if there are some.")
@click.option("--skip-inspect", is_flag=True, help="Do not look at this machine's card first.")
@click.option("--capture", "captures", is_flag=True, help="Take a first capture at the end.")
@click.option("--remove", "removes", is_flag=True, help="Undo set-up; captures stay.")
@click.option("--yes", is_flag=True, help="Do not ask before --remove.")
@click.option(
    "--root-dir", type=click.Path(path_type=Path, exists=True, file_okay=False),
    default=Path("/"), show_default=True,
    help="Set up a system that is mounted here, such as an image, instead of this one.",
)  # fmt: skip
@click.option(
    "--units", type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Take systemd units from here instead of from the installation.",
)  # fmt: skip
def command(
    *,
    keeper: str,
    board: str,
    time_: str,
    fingerprint: str,
    login_key: Path | None,
    login_password: str | None,
    store: str,
    disk: str,
    board_root: str,
    replace: bool,
    skip_inspect: bool,
    captures: bool,
    removes: bool,
    yes: bool,
    root_dir: Path,
    units: Path | None,
) -> None:
    r"""Make this board ready: ask little, pin the keeper, make a key, start the nightly service.

    Asks for what is not given; without a terminal everything has to be given. Host keys are
    trusted only when somebody confirms the fingerprint. Prints the one line to be pasted at the
    keeper, or with a login that is given once enrols the board there itself. --remove takes all
    of it away again and leaves the captures alone.

    \b
    Examples:
      holdstill setup
      holdstill setup --keeper ssh://keeper@boathouse --board pier-3 --time 02:30 \
          --fingerprint SHA256:... --capture
      holdstill setup --keeper ssh://keeper@boathouse --login-password ask
      holdstill setup --root-dir /mnt/image --keeper /mnt/usb/captures --board pier-3
      holdstill setup --remove
    """
    where = _Where(root_dir.absolute(), units or _unit_folder())
    _check_root(where)
    if removes:
        _remove(where, is_sure=yes)
        return
    workflow_setup.check_store(store)
    login = _login(login_key, login_password)
    given = _Given(keeper, board, time_, disk, board_root)
    answers = given.completed()
    machine = Machine(where.top, answers.settings())
    if not replace:
        workflow_setup.check_new(machine)
    is_here = machine.is_this_one
    pin = _confirmed(machine, fingerprint)
    if is_here and not skip_inspect:
        _inspect(machine.settings)
    public = workflow_setup.write(machine, answers, pin, LocalRunner())
    click.echo(f"wrote {machine.settings_path}, key {machine.key}")
    answered = _introduce(machine, public, pin, _Door(store, login))
    _install(machine, where)
    if is_here and (captures or (answered and _wants_capture())):
        _first_capture(machine.settings)
    else:
        after = "" if answered else "When the keeper lets this board in, "
        click.echo(
            f"Ready. {after}`holdstill capture` takes a first capture; better while you are here"
        )


@dataclass(frozen=True)
class _Where:
    top: Path
    units: Path


def _unit_folder() -> Path:
    return next((path for path in _UNIT_FOLDERS if path.is_dir()), _UNIT_FOLDERS[0])


def _check_root(where: _Where) -> None:
    """Say it now, not after five questions."""
    etc = where.top / "etc"
    place = etc if etc.exists() else where.top
    if not os.access(place, os.W_OK):
        raise PreflightError(
            f"{place} may not be written to", hint="run this as root: sudo holdstill setup"
        )


@dataclass(frozen=True)
class _Given:
    keeper: str
    board: str
    time: str
    disk: str
    root: str

    def completed(self) -> Answers:
        """Ask for what was not given."""
        if not _is_terminal() and not (self.keeper and self.board):
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
            if _is_terminal()
            else default
        )
        return Answers(keeper, board, time, self.disk, self.root)


def _is_terminal() -> bool:
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


def _confirmed(machine: Machine, fingerprint: str) -> HostKey | None:
    """Return the keeper's host key, confirmed by a person; None for a directory."""
    address = machine.settings.keeper
    pin = workflow_setup.ask_host_key(address)
    if pin is None or (not fingerprint and workflow_setup.is_pinned(machine, pin)):
        return pin
    if not fingerprint:
        fingerprint = _asked_fingerprint(pin)
    workflow_setup.check_fingerprint(pin, fingerprint)
    return pin


def _asked_fingerprint(pin: HostKey) -> str:
    click.echo(f"{pin.host} shows the host key {pin.fingerprint} ({pin.kind})")
    if not _is_terminal():
        raise UsageError(
            "its fingerprint has to be confirmed",
            hint=f"read it at the keeper (`{workflow_setup.at_keeper(pin)}`) and give it as "
            "--fingerprint",
        )
    click.echo(f"At the keeper: {workflow_setup.at_keeper(pin)}")
    if click.confirm("Does it print the same"):
        return pin.fingerprint
    return "the one that the keeper's own ssh-keygen prints"


@dataclass(frozen=True)
class _Door:
    """How a board gets in: the store's path at the keeper, and a login where one was given."""

    store: str
    login: OneTimeLogin | None


def _login(key: Path | None, password: str | None) -> OneTimeLogin | None:
    """Return the login that was given; the password is read when and where it was said to be."""
    if key is None and password is None:
        return None
    return OneTimeLogin(_password(password) if password else "", key)


def _password(place: str) -> str:
    """Read a password: never from our words, which everybody on this machine can see."""
    kind, _, name = place.partition(":")
    match kind:
        case "ask" if not name:
            return str(click.prompt("Password at the keeper", hide_input=True, err=True))
        case "env" if name in os.environ:
            return os.environ.pop(name)
        case "fd" if name.isdecimal():
            return _line_from(int(name))
        case "env":
            raise UsageError(f"there is no variable {name!r} in the environment")
        case _:
            raise UsageError(
                f"--login-password {place!r} says no place", hint="write ask, env:NAME or fd:N"
            )


def _line_from(descriptor: int) -> str:
    try:
        with os.fdopen(descriptor, encoding="utf-8") as lines:
            return lines.readline().rstrip("\r\n")
    except OSError as error:
        raise UsageError(f"cannot read file descriptor {descriptor}: {error.strerror}") from error


def _introduce(machine: Machine, public: str, pin: HostKey | None, door: _Door) -> bool:
    """Have the board enrolled; tell whether the keeper answers it."""
    if isinstance(machine.settings.keeper, FolderAddress):
        workflow_setup.enrol_here(machine, public, SystemClock())
    if _answers(machine):
        return True
    if pin is not None and door.login is not None:
        said = workflow_setup.enrol_there(machine, public, door.store, pin=pin, login=door.login)
        click.echo(f"The keeper says: {said}")
        return _answers(machine)
    click.echo("Paste this line into a shell of the keeper's user, at the keeper:\n")
    click.echo(workflow_setup.line_for_keeper(machine, public, door.store) + "\n")
    return _awaited(machine, public, pin, door)


def _awaited(machine: Machine, public: str, pin: HostKey | None, door: _Door) -> bool:
    """Wait until somebody has pasted the line, or gives a login, or puts it off."""
    words = (
        "Press Enter when it is done, or write `later`, or `login` to give that user's password"
    )
    while _is_terminal():
        word = click.prompt(words, default="now", show_default=False).strip()
        if word == "later":
            return False
        if word == "login" and pin is not None:
            try:
                login = OneTimeLogin(_password("ask"))
                click.echo(
                    workflow_setup.enrol_there(machine, public, door.store, pin=pin, login=login)
                )
            except HoldstillError as error:
                click.echo(f"{error}; {error.hint}")
                continue
        if _answers(machine):
            return True
        click.echo("It does not let this board in yet")
    return False


def _answers(machine: Machine) -> bool:
    try:
        with wiring.reached_keeper(machine.from_here) as keeper:
            hello = keeper.hello()
    except HoldstillError:
        return False
    click.echo(f"The keeper answers; {hello.free_bytes >> 30} GiB are free there")
    return True


def _inspect(settings: BoardSettings) -> None:
    found = workflow_inspect.inspect(
        settings,
        ask_keeper=None,
        excluded=(*path_filter.DEFAULT_EXCLUDES, *settings.exclude),
        machine=BoundedRunner(),
    )
    tables.inspection(found, tables.console())


def _install(machine: Machine, where: _Where) -> None:
    done = workflow_setup.install_units(machine, where.units, _program(machine), LocalRunner())
    for unit in done.units:
        state = " (enabled)" if unit in done.enabled else ""
        click.echo(f"installed {unit}{state}")
    for note in done.notes:
        click.echo(f"note: {note}")


def _program(machine: Machine) -> str:
    """Return the absolute path of this program; in an image, the place where it usually is."""
    script = Path(sys.argv[0]).absolute()
    if machine.is_this_one and script.name == "holdstill" and os.access(script, os.X_OK):
        return str(script)
    found = shutil.which("holdstill") if machine.is_this_one else None
    return found or "/usr/local/bin/holdstill"


def _wants_capture() -> bool:
    return _is_terminal() and click.confirm("Take a first capture now")


def _first_capture(settings: BoardSettings) -> None:
    with (
        progress.telling(Console(stderr=True)) as teller,
        wiring.capture_means(settings, teller) as means,
    ):
        report = workflow_capture.capture(settings, means)
    tables.capture_report(report, tables.console())


def _remove(where: _Where, *, is_sure: bool) -> None:
    path = where.top / workflow_setup.SETTINGS.lstrip("/")
    settings = (
        options.read_board_settings(path)
        if path.exists()
        else model_settings.BoardSettings(board="unknown", keeper=store_address.parse("/"))
    )
    if not is_sure:
        click.confirm("Remove settings, key, pins, memory and units of this board", abort=True)
    gone = workflow_setup.remove(Machine(where.top, settings), where.units, LocalRunner())
    for text in gone:
        click.echo(f"removed {text}")
    click.echo("Captures are the keeper's and stay. To let this board in no more, take its line "
               "out of ~/.ssh/authorized_keys there")  # fmt: skip
