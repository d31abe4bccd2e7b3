"""The command `holdstill keeper setup`."""

from __future__ import annotations

import os
import re
import socket
import sys
from pathlib import Path

import click

from holdstill.cli import terminal, this_program
from holdstill.cli.keeper import reading_key
from holdstill.errors import PreflightError, UsageError
from holdstill.model.store_address import HostAddress
from holdstill.system import debian_packages
from holdstill.system.process import LocalRunner
from holdstill.system.users import User
from holdstill.workflow import install_units, keeper_setup, keeper_units
from holdstill.workflow.keeper_setup import Wish
from holdstill.workflow.keeper_units import KeeperUnits

_USER = re.compile(r"[a-z_][a-z0-9_-]{0,31}")
"""useradd(8), CAVEATS."""


@click.command("setup", short_help="Make this machine a keeper.")
@click.option("--store", type=click.Path(path_type=Path), help="Where captures are stored.")
@click.option("--user", help="Whom the store belongs to; made if it is not there.")
@click.option(
    "--reading-key/--no-reading-key", "wants_key", default=None,
    help="Make a key with which a person reads all boards' captures over SSH.",
)  # fmt: skip
@click.option("--yes", is_flag=True, help="Ask nothing: what is not given is as proposed.")
@click.option(
    "--store-on-card", is_flag=True, help="Allow a store on the card that this machine runs from."
)
@click.option(
    "--units", type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="Take systemd units from here instead of from the installation.",
)  # fmt: skip
def command(
    *,
    store: Path | None,
    user: str | None,
    wants_key: bool | None,
    yes: bool,
    store_on_card: bool,
    units: Path | None,
) -> None:
    r"""Make user, store, settings, timers and a reading key; end with the line for the boards.

    What is there already stays as it is, so this can be done again, after an upgrade say: then it
    shows what there is, and renews the timers. It refuses places where captures would be lost: a
    full or read-only disk, FAT, memory, the card that this machine runs from, a network file
    system without locks.

    \b
    Examples:
      holdstill keeper setup
      holdstill keeper setup --yes --store /mnt/disk/captures
    """
    if os.geteuid() != 0:
        raise PreflightError(
            "only root can make a user and timers",
            hint="`sudo holdstill keeper setup`; without root, `holdstill keeper init` makes a "
            "store of your own",
        )
    wish = _asked(store, user, is_card_fine=store_on_card, yes=yes)
    kept = KeeperUnits(units or this_program.units(), this_program.path(), wish.store, wish.user)
    if not kept.timers():
        raise UsageError(
            f"{kept.folder} has no timers of a keeper's",
            hint="leave --units out for those that came with holdstill, or name its folder "
            "`systemd`",
        )
    remarks = keeper_setup.check(wish)
    was_there = keeper_setup.known_store() is not None
    wants_key = _wants_key(given=wants_key, yes=yes, was_there=was_there)
    runner = LocalRunner()
    done = keeper_setup.carry_out(wish, this_program.words(), runner)
    terminal.say(*(f"made {what}" for what in done.made))
    terminal.say(*(f"{what} is there already" for what in done.there))
    _install(kept, runner)
    if wants_key:
        terminal.say(reading_key.ensure(wish, runner))
    elif was_there:
        terminal.say(reading_key.told())
    terminal.say(*(f"note: {text}" for text in (*done.notes, *remarks)))
    _tell_boards(wish, runner)


def _asked(store: Path | None, user: str | None, *, is_card_fine: bool, yes: bool) -> Wish:
    """Ask for what is not given; of a keeper that is there already, nothing."""
    known = keeper_setup.known_store()
    proposed = str(known or keeper_units.STORE)
    asks = not yes and sys.stdin.isatty()
    if store is None and asks and known is None:
        store = Path(click.prompt("Where are captures stored", default=proposed))
    store = Path(store or proposed)
    if not store.is_absolute():
        raise UsageError(f"{store} is no absolute path", hint=f"such as {keeper_units.STORE}")
    owner = User.owner_of(store) if (store / "store.yaml").exists() else None
    if user is None and owner is not None:
        user = owner.called
    elif user is None and asks:
        user = str(click.prompt("Whose are they (a user, made if missing)", default="keeper"))
    user = user or keeper_units.USER
    if _USER.fullmatch(user) is None:
        raise UsageError(f"{user!r} cannot be a user's name", hint="such as `keeper`")
    return Wish(store, user, is_card_fine)


def _wants_key(*, given: bool | None, yes: bool, was_there: bool) -> bool:
    """Return whether a reading key is made; of a keeper that is there already only if asked for.

    One may have been withdrawn, narrowed or moved to another machine since.
    """
    if given is not None or was_there:
        return bool(given)
    if yes or not sys.stdin.isatty():
        return True
    return click.confirm(
        "Make a key with which you read all captures from another machine", default=True
    )


def _install(units: KeeperUnits, runner: LocalRunner) -> None:
    if install_units.SYSTEMD_RUNS.exists():
        changed = keeper_units.install(units, runner)
        terminal.say(*(f"installed {path}" for path in changed))
        names = ", ".join(timer.name for timer in units.timers())
        terminal.say(f"timers run: {names}")
        return
    terminal.say(
        "systemd does not run here. For verifying, thinning and alarms put these lines into "
        "/etc/cron.d/holdstill-keeper:",
        *units.cron_lines(),
    )


def _tell_boards(wish: Wish, runner: LocalRunner) -> None:
    print_ = keeper_setup.host_fingerprint()
    if not print_:
        terminal.say(
            "note: no SSH server's key is here, and boards come over SSH: "
            f"{debian_packages.how_to_install(['sshd'])}; then type this again"
        )
        return
    port = keeper_setup.ssh_port(runner)
    address = str(HostAddress(wish.user, socket.gethostname(), port))
    words = ["sudo holdstill setup --keeper", address, "--fingerprint", print_]
    if wish.store != keeper_units.STORE:
        words += ["--store", str(wish.store)]
    terminal.say(
        f"Ready. On each board (with this machine's IP address, where its name is not known):\n\n"
        f"  {' '.join(words)}\n"
    )
