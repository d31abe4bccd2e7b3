"""The command `holdstill setup`."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdstill.board import path_filter
from holdstill.cli import (
    consoles,
    options,
    progress,
    setup_end,
    tables,
    terminal,
    this_program,
    wiring,
)
from holdstill.errors import PreflightError
from holdstill.model import settings as model_settings
from holdstill.model import store_address
from holdstill.schedule.zone import LocalZone
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import before_start, enrol_board, install_units, remove_setup
from holdstill.workflow import capture as workflow_capture
from holdstill.workflow import inspect as workflow_inspect
from holdstill.workflow import setup as workflow_setup
from holdstill.workflow import store_on_card as workflow_store
from holdstill.workflow.setup import BoardFiles

if TYPE_CHECKING:
    from holdstill.model.settings import BoardSettings

from holdstill.cli.setup_enrolment import KeeperAccess, enrol
from holdstill.cli.setup_enrolment import answers as keeper_answers
from holdstill.cli.setup_questions import (
    STORE,
    Given,
    asked_login,
    check_terminal,
    confirmed,
    discovered_name,
    wants_capture,
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
@click.option(
    "--disk", "disks", multiple=True,
    help="A disk to be captured, such as the card's device; may be given again. Default: auto, "
    "those that the board boots from and that its system is on.",
)  # fmt: skip
@click.option("--board-root", default="", help="Where the board's root is mounted. Default: /")
@click.option(
    "--store-on-card", is_flag=True, help="Allow a store on the captured card. It dies with it."
)
@click.option(
    "--store-in-clear",
    is_flag=True,
    help="Store unencrypted at the keeper what is encrypted on the card.",
)
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
    disks: tuple[str, ...],
    board_root: str,
    store_on_card: bool,
    store_in_clear: bool,
    replace: bool,
    skip_inspect: bool,
    captures: bool,
    removes: bool,
    yes: bool,
    root_dir: Path,
    units: Path | None,
) -> None:
    r"""Make this board ready: ask little, pin the keeper, make a key, start the nightly service.

    Asks for what is not given and cannot be found out, at most four things; without a terminal
    --keeper and --fingerprint have to be given. Said again, it shows how the board stands, and
    renews the units. Host keys are trusted only when somebody confirms the fingerprint. Prints
    the one line to be pasted at the keeper, or with a login that is given once enrols the board
    there itself. --remove takes all of it away again and leaves the captures alone.

    \b
    Examples:
      holdstill setup
      holdstill setup --keeper ssh://keeper@boathouse --board pier-3 \
        --time 02:30 --fingerprint SHA256:... --capture
      holdstill setup --keeper ssh://keeper@boathouse --login-password ask
      holdstill setup --root-dir /mnt/image --keeper /mnt/usb/captures \
        --board pier-3
      holdstill setup --remove
    """
    where = _Where(
        root_dir.absolute(),
        units or this_program.units(),
    )
    _check_root(where)
    if removes:
        _remove(where, is_sure=yes)
        return
    enrol_board.check_store(store)
    login = asked_login(login_key, login_password)
    given = Given(
        keeper, board, time_, disks, board_root, store_on_card, store_in_clear,
        has_containers=where.top == Path("/") and workflow_setup.has_containers(),
    )  # fmt: skip
    if not replace and (path := where.top / workflow_setup.SETTINGS.lstrip("/")).exists():
        _again(given, BoardFiles(where.top, options.read_board_settings(path)), where, fingerprint)
        return
    before_start.refuse(before_start.of_programs(("ssh-keygen", "rsync", "ssh")))
    asks_more = bool(board or discovered_name(where.top))  # at most four questions
    answers = given.completed(where.top)
    machine = BoardFiles(where.top, answers.settings())
    is_here = machine.is_this_one
    pin = confirmed(machine.settings.keeper, machine.host_keys, fingerprint)
    risk = "" if not is_here or skip_inspect else _inspect(machine.settings)
    public = workflow_setup.write(machine, answers, pin, LocalRunner())
    terminal.say(f"wrote {machine.settings_path}, key {machine.key}")
    answered = enrol(machine, public, pin, KeeperAccess(store, login))
    _install(machine, where)
    if was_captured := is_here and (captures or (answered and asks_more and wants_capture())):
        _first_capture(machine.settings)
    if risk:
        terminal.say(f"note: {risk}")
    setup_end.tell(machine, is_let_in=answered, was_captured=was_captured)


@dataclass(frozen=True)
class _Where:
    top: Path
    units: Path


def _again(given: Given, machine: BoardFiles, where: _Where, fingerprint: str) -> None:
    """Show a board that is set up already how it stands; renew its units, after an upgrade say.

    Raises:
        PreflightError: it is to be otherwise than it is.
    """
    differing = given.differences(machine.settings)
    if fingerprint and not enrol_board.is_pinned_as(machine, fingerprint):
        differing.append("--fingerprint")
    if differing:
        raise PreflightError(
            f"{machine.settings_path} exists: this board is set up already, otherwise than "
            f"{', '.join(differing)} says",
            hint="give --replace to write it again; existing keys are kept",
        )
    settings = machine.settings
    terminal.say(
        f"{settings.board} is set up already ({machine.settings_path}), its keeper is "
        f"{settings.keeper}; --replace asks anew"
    )
    before_start.refuse(before_start.of_board(machine.from_here))
    _install(machine, where)
    setup_end.tell(machine, is_let_in=keeper_answers(machine), was_captured=True)


def _check_root(where: _Where) -> None:
    """Fail now, not after five questions."""
    etc = where.top / "etc"
    place = etc if etc.exists() else where.top
    if not os.access(place, os.W_OK):
        raise PreflightError(
            f"{place} may not be written to", hint="run this as root: `sudo holdstill setup`"
        )


def _inspect(settings: BoardSettings) -> str:
    """Show what a capture would hold; return what is risky about the store, "" for nothing.

    Raises:
        PreflightError: the store is on the captured card, and nobody insists on that.
    """
    found = workflow_inspect.inspect(
        settings,
        ask_keeper=None,
        excluded=(*path_filter.DEFAULT_EXCLUDES, *settings.exclude),
        machine=BoundedRunner(),
        clock=SystemClock(),
        zone=LocalZone()(),
    )
    tables.inspection(found, consoles.console())
    return workflow_store.check(settings, [Path(disk.device) for disk in found.disks])


def _install(machine: BoardFiles, where: _Where) -> None:
    done = install_units.install_units(machine, where.units, _program(machine), LocalRunner())
    for unit in done.units:
        state = " (enabled)" if unit in done.enabled else ""
        terminal.say(f"installed {unit}{state}")
    for note in done.notes:
        terminal.say(f"note: {note}")


def _program(machine: BoardFiles) -> str:
    """Return the absolute path of this program; in an image, the place where it usually is."""
    return this_program.path() if machine.is_this_one else "/usr/local/bin/holdstill"


def _first_capture(settings: BoardSettings) -> None:
    with (
        progress.reporting(consoles.console(is_error=True)) as reporter,
        wiring.capture_means(settings, reporter) as means,
    ):
        report = workflow_capture.capture(settings, means)
    tables.capture_report(report, consoles.console())


def _remove(where: _Where, *, is_sure: bool) -> None:
    path = where.top / workflow_setup.SETTINGS.lstrip("/")
    settings = (
        options.read_board_settings(path)
        if path.exists()
        else model_settings.BoardSettings(board="unknown", keeper=store_address.parse("/"))
    )
    if not is_sure:
        check_terminal("--yes")
        click.confirm("Remove settings, key, pins, memory and units of this board", abort=True)
    gone = remove_setup.remove(BoardFiles(where.top, settings), where.units, LocalRunner())
    for text in gone:
        terminal.say(f"removed {text}")
    terminal.say("Captures are the keeper's and stay. To let this board in no more, take its line "
               "out of ~/.ssh/authorized_keys there")  # fmt: skip
