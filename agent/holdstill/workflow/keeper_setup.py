"""Make this machine a keeper: user, store, settings, timers. Done again, it changes nothing."""

from __future__ import annotations

import json
import pwd
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import mounts
from holdstill.errors import CommandError, DocumentError, PreflightError, UsageError
from holdstill.keeper import store as stores
from holdstill.model import settings as model_settings
from holdstill.model.settings import KeeperSettings
from holdstill.records import signature
from holdstill.system import files, users
from holdstill.system.process import Command
from holdstill.system.users import User
from holdstill.workflow import before_start, store_leaks, store_place

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.system.process import Runner

SETTINGS = Path("/etc/holdstill/keeper.yaml")
COMMENT = "holdstill keeper"
"""Of the user's entry in passwd(5); by it `keeper remove` knows the user as ours."""
PROGRAMS = ("rsync", "ssh-keygen", "setpriv", "useradd")
_HOST_KEYS = tuple(
    Path(f"/etc/ssh/ssh_host_{kind}_key.pub") for kind in ("ed25519", "ecdsa", "rsa")
)
"""In the order in which a board asks for them (transport.host_keys)."""


@dataclass(frozen=True)
class Wish:
    """What the keeper is to be.

    Attributes:
        store: the absolute path of its store.
        user: the name of the user whom it belongs to.
        is_card_fine: whether the store may be on the card that this machine runs from.
    """

    store: Path
    user: str
    is_card_fine: bool = False


@dataclass(frozen=True)
class Done:
    """What was made, and what was there already, each in words."""

    made: tuple[str, ...]
    there: tuple[str, ...]
    notes: tuple[str, ...]


def known_store() -> Path | None:
    """Return the store of this keeper's settings; None before it has any.

    Raises:
        DocumentError: they are there, and name none.
    """
    data = files.read_if_there(SETTINGS)
    return model_settings.keeper_store(data, str(SETTINGS)) if data else None


def check(wish: Wish) -> tuple[str, ...]:
    """Look for all that stands in the way, before anything is made; return remarks.

    Raises:
        PreflightError: something does, with what to do about each.
    """
    found = before_start.of_programs(PROGRAMS)
    all_mounts = mounts.read_mounts()
    with suppress(DocumentError):  # told by whoever reads them
        if (known := known_store()) not in {None, wish.store}:
            found.append(
                PreflightError(
                    f"this machine is the keeper of {known} already ({SETTINGS})",
                    hint="`holdstill keeper setup` without --store shows how that is; to move the "
                    "store, copy it as a whole, and correct that line",
                )
            )
    if not stores.is_there(wish.store):
        rules = KeeperSettings(store=wish.store)
        found += store_place.obstacles(
            wish.store, all_mounts,
            min_free=int(rules.min_free), min_free_inodes=rules.min_free_inodes,
        )  # fmt: skip
        if not wish.is_card_fine:
            found += store_place.of_card(wish.store, all_mounts)
    found += _of_user(wish)
    before_start.refuse(found)
    return (
        *store_place.remarks(wish.store, all_mounts),
        *store_leaks.remarks(wish.store, all_mounts),
    )


def _of_user(wish: Wish) -> list[PreflightError]:
    known = _user(wish.user)
    if known is not None and known.uid == 0:
        return [
            PreflightError(
                "root is no user for a store: whoever found a fault in the keeper would be root",
                hint="name another one, such as `keeper`: it is made if it is not there",
            )
        ]
    if stores.is_there(wish.store) and (owner := User.owner_of(wish.store)) != known:
        return [
            PreflightError(
                f"{wish.store} is a store of user {owner.called}, not of {wish.user}",
                hint=f"give --user {owner.called}; or hand it over as a whole: `sudo chown -R "
                f"{wish.user}: {wish.store}`",
            )
        ]
    return []


def _user(name: str) -> User | None:
    try:
        found = pwd.getpwnam(name)
    except KeyError:
        return None
    return User(found.pw_uid, found.pw_gid, found.pw_name, found.pw_dir)


def carry_out(wish: Wish, program: Sequence[str], runner: Runner) -> Done:
    """Make what is missing; `check` came before.

    Args:
        wish: what the keeper is to be.
        program: starts holdstill, for the user as well.
        runner: runs programs here.

    Raises:
        PreflightError: the user cannot run holdstill, or the store cannot be made.
    """
    made: list[str] = []
    there: list[str] = []
    user = _user(wish.user)
    (there if user else made).append(f"user {wish.user}")
    user = user or _made_user(wish.user, runner)
    (there if stores.is_there(wish.store) else made).append(f"store {wish.store}")
    if not stores.is_there(wish.store):
        _make_store(wish.store, user, program, runner)
    notes = _settings(wish.store, made, there)
    return Done(tuple(made), tuple(there), notes)


def _made_user(name: str, runner: Runner) -> User:
    # No password that opens it, and not locked: sshd lets no locked account in (sshd(8)).
    words = ("--create-home", "--user-group", "--shell", "/bin/sh", "--password", "*")
    runner.run(Command.of("useradd", *words, "--comment", COMMENT, "--", name))
    found = _user(name)
    if found is None:
        raise PreflightError(f"useradd made no user {name}", hint="see `getent passwd`")
    return found


def _make_store(store: Path, user: User, program: Sequence[str], runner: Runner) -> None:
    as_user = users.become(user)
    try:
        runner.run(Command.of(*as_user, *program, "--version"))
    except CommandError as error:
        raise PreflightError(
            f"user {user.called} cannot run {program[0]}: {error}",
            hint="install holdstill where every user may read it, such as /opt/holdstill",
        ) from error
    if not store.exists():
        store.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
        words = ("-o", str(user.uid), "-g", str(user.gid), "-m", "700")
        runner.run(Command.of("install", "-d", *words, store))
    elif User.owner_of(store).uid != user.uid and all(
        item.name == "lost+found"
        for item in store.iterdir()  # a disk that was just made
    ):
        runner.run(Command.of("chown", f"{user.uid}:{user.gid}", store))
    try:
        runner.run(Command.of(*as_user, *program, "keeper", "init", store, timeout=600))
    except CommandError as error:
        said = error.words.decode(errors="backslashreplace").strip()
        raise PreflightError(f"the store cannot be made: {said}") from error


def _settings(store: Path, made: list[str], there: list[str]) -> tuple[str, ...]:
    notes = []
    folder = SETTINGS.parent
    folder.mkdir(mode=0o755, parents=True, exist_ok=True)
    if folder.stat().st_mode & 0o005 != 0o005:  # `holdstill setup` closes it, and keys are closed
        folder.chmod(0o755)
        notes.append(f"{folder} was opened, so that the keeper's user can read {SETTINGS.name}")
    if SETTINGS.exists():
        there.append(f"settings {SETTINGS}")
        if model_settings.keeper_store(SETTINGS.read_bytes(), str(SETTINGS)) != store:
            raise UsageError(f"{SETTINGS} names another store than {store}")
        return tuple(notes)
    text = (
        "# Written by `holdstill keeper setup`. configs/keeper.yaml explains every key there is.\n"
        f"store: {json.dumps(str(store))}\n"
    )
    files.publish(SETTINGS, text.encode(), mode=0o644)
    made.append(f"settings {SETTINGS}")
    return tuple(notes)


def host_fingerprint() -> str:
    """Return the fingerprint of the host key that boards will be shown; "" without an sshd."""
    for path in _HOST_KEYS:
        with suppress(OSError, ValueError, IndexError):
            kind, key, *_ = path.read_text(encoding="ascii").split()
            return signature.fingerprint(f"{kind} {key}")
    return ""


def ssh_port(runner: Runner) -> int:
    """Return the first port of this machine's sshd (sshd(8), -T); 22 if it does not say."""
    with suppress(CommandError, ValueError):
        for line in runner.run(Command.of("sshd", "-T")).decode().splitlines():
            if line.startswith("port "):
                return int(line.split()[1])
    return 22
