"""Options that several commands share, and how their values are read."""

from __future__ import annotations

import json
import os
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeVar

import click
import msgspec

from holdstill.cli import reader_files
from holdstill.errors import DocumentError, HoldstillError, UsageError
from holdstill.model import settings as model_settings
from holdstill.system import users

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.decorators import FC

    from holdstill.model.settings import BoardSettings, KeeperSettings

T = TypeVar("T")
BOARD_SETTINGS = Path("/etc/holdstill/board.yaml")
KEEPER_SETTINGS = Path("/etc/holdstill/keeper.yaml")
CACHE = Path("/var/tmp")  # noqa: S108  work_folder makes one of its own there


def settings_option(default: Path) -> Callable[[FC], FC]:
    """Add --settings with a default place."""
    return click.option(
        "--settings",
        "settings_path",
        type=click.Path(path_type=Path, dir_okay=False, readable=False),
        default=default,
        show_default=True,
        envvar="HOLDSTILL_SETTINGS",
        help="Settings file.",
    )


keeper_settings_option = click.option(
    "--keeper-settings",
    "keeper_path",
    type=click.Path(path_type=Path, dir_okay=False, readable=False),
    default=KEEPER_SETTINGS,
    show_default=True,
    help="The keeper's settings file, on the host that keeps captures.",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON for other programs instead of text."
)
long_option = click.option(
    "--long", "is_long", is_flag=True, help="Show also what finds no room at first."
)
store_option = click.option(
    "--store",
    "store_address",
    envvar="HOLDSTILL_STORE",
    help="The store: a directory, ssh://user@host[:port], or to read an off-site copy "
    "s3+https://host/bucket[/folder]. Default: the one in the keeper's "
    f"settings ({KEEPER_SETTINGS}), else the one in the board's.",
)


def _disk_choice(
    ctx: click.Context, parameter: click.Parameter, value: str | None
) -> int | Literal["all"] | None:
    if value is None:
        return None
    if value == "all":
        return "all"
    if value.isdecimal() and value.isascii() and int(value):
        return int(value)
    raise click.BadParameter(f"{value!r} is neither a disk's number nor `all`", ctx, parameter)


disk_option = click.option(
    "--disk",
    metavar="N|all",
    callback=_disk_choice,
    help="Of a board with several disks, the one that is meant: 1, 2, ...; or all of them on one.",
)


_ACCESS = "holdstill.access."


def _kept_aside(
    ctx: click.Context, parameter: click.Parameter, value: Path | tuple[str, ...] | None
) -> None:
    ctx.meta[f"{_ACCESS}{parameter.name}"] = value


_RECOVERY_KEY = (
    "For an off-site copy: file with the words. Default: asked for, if the copy's address was "
    "given; what has left a keeper's store is read with the file alone."
)


def access_options(command: FC) -> FC:
    """Add the options that say with which keys a store somewhere else is read."""
    path = click.Path(path_type=Path)
    for words, text in (
        ("--key", "Private key, for a store at ssh://. Default: the board's or the reader's."),
        ("--host-keys", "File with the keeper's pinned host key. Default: as for --key."),
        ("--cache", "Folder for what is fetched; a few hundred MiB must fit. Default: /var/tmp."),
        ("--recovery-key", _RECOVERY_KEY),
        ("--access-key", "For an off-site copy: file with the bucket's key. Default: AWS_..."),
    ):  # fmt: skip
        command = click.option(
            words, type=path, help=text, expose_value=False, callback=_kept_aside
        )(command)
    return click.option(
        "--accept-key", multiple=True, metavar="FINGERPRINT", expose_value=False,
        callback=_kept_aside, help="For an off-site copy: a key (SHA256:...) that a board was "
        "given after its first captures there. Can be repeated.",
    )(command)  # fmt: skip


@dataclass(frozen=True)
class Access:
    """With what a store at the other end of SSH is read.

    Attributes:
        key, host_keys: the private key, and the file of pinned host keys.
        cache: folder for what is fetched.
        is_boards: whether the key is that of the board which this machine is.
    """

    key: Path
    host_keys: Path
    cache: Path = CACHE
    is_boards: bool = False


def access() -> Access:
    """Return the access that the running command was given, else the board's own.

    Raises:
        UsageError: something is not given, and this is no board.
    """
    given = click.get_current_context().meta
    key: Path | None = given.get(f"{_ACCESS}key")
    host_keys: Path | None = given.get(f"{_ACCESS}host_keys")
    cache: Path | None = given.get(f"{_ACCESS}cache")
    if key is None or host_keys is None:
        own_key, own_pins = _own_access()
        key, host_keys = key or own_key, host_keys or own_pins
    is_boards = is_seen(BOARD_SETTINGS) and _is_same(key, read_board_settings(BOARD_SETTINGS).key)
    return Access(key.absolute(), host_keys.absolute(), cache or CACHE, is_boards=is_boards)


def is_seen(settings: Path) -> bool:
    """Whether settings are there; those in a folder that this user may not enter are not its."""
    with suppress(PermissionError):
        return settings.exists()
    return False


def _is_same(one: Path, other: Path) -> bool:
    return one.absolute() == other.absolute() or (
        one.exists() and other.exists() and one.samefile(other)
    )


def _own_access() -> tuple[Path, Path]:
    """Return the key and the pinned host keys of this board, or of this reader."""
    if is_seen(BOARD_SETTINGS):
        settings = read_board_settings(BOARD_SETTINGS)
        return settings.key, settings.host_keys
    mine = reader_files.of_this_user()
    if mine.is_there:
        return mine.key, mine.host_keys
    raise UsageError(
        "a store at ssh:// is read with a board's key, or with a reader's",
        hint="`holdstill connect ssh://...` makes a reader's key on this machine; or give --key "
        "and --host-keys, or run this on the board",
    )


@dataclass(frozen=True)
class OffsiteAccess:
    """With what an off-site copy is read; None where nothing was given.

    Attributes:
        access_key, recovery_key: files.
        cache: folder for what is fetched.
        accepted: fingerprints of keys of boards that count beside those first told of.
    """

    access_key: Path | None
    recovery_key: Path | None
    cache: Path
    accepted: tuple[str, ...]


def offsite_access() -> OffsiteAccess:
    """Return the access to an off-site copy that the running command was given."""
    given = click.get_current_context().meta
    access_key: Path | None = given.get(f"{_ACCESS}access_key")
    recovery_key: Path | None = given.get(f"{_ACCESS}recovery_key")
    cache: Path | None = given.get(f"{_ACCESS}cache")
    accepted: tuple[str, ...] = given.get(f"{_ACCESS}accept_key") or ()
    return OffsiteAccess(access_key, recovery_key, cache or CACHE, accepted)


def read_board_settings(path: Path) -> BoardSettings:
    """Read the board's settings file.

    Raises:
        UsageError: it cannot be read; DocumentError: it has problems.
    """
    return _decoded(path, "board", model_settings.decode_board_settings)


def read_keeper_settings(path: Path) -> KeeperSettings:
    """Read the keeper's settings file.

    Raises:
        UsageError: it cannot be read; DocumentError: it has problems.
    """
    return _decoded(path, "keeper", model_settings.decode_keeper_settings)


def _keeper_store(path: Path) -> Path:
    """Return the store of a keeper's settings file; a mistake elsewhere in it is no matter."""
    return _decoded(path, "keeper", model_settings.keeper_store)


def keeper_notify(path: Path) -> KeeperSettings | None:
    """Return whom a keeper's settings file says to tell, with its store; None if it cannot say."""
    with suppress(HoldstillError):
        return _decoded(path, "keeper", model_settings.keeper_notify)
    return None


def keeper_settings(path: Path, store: Path) -> KeeperSettings:
    """Read the settings of the keeper of a store; the defaults, where it has none.

    Raises:
        UsageError: they cannot be read; DocumentError: they have problems.
    """
    is_its_own = path != KEEPER_SETTINGS or (
        is_seen(path) and _keeper_store(path).resolve() == store.resolve()
    )
    return read_keeper_settings(path) if is_its_own else model_settings.KeeperSettings(store=store)


def store_address(given: str | None, keeper: Path = KEEPER_SETTINGS) -> str:
    """Return the store that is meant: the one given, else the one in the settings.

    Args:
        given: by --store.
        keeper: settings of a keeper; other than in their own place, they must be there.

    Raises:
        UsageError: none is given, and there are no settings.
    """
    if given:
        return given
    if keeper != KEEPER_SETTINGS or is_seen(keeper):
        return str(_keeper_store(keeper))
    if is_seen(BOARD_SETTINGS):
        return str(read_board_settings(BOARD_SETTINGS).keeper)
    if (mine := reader_files.of_this_user()).is_there:
        return mine.keeper()
    raise UsageError(
        "which store?",
        hint=f"give --store DIRECTORY, set HOLDSTILL_STORE, or write {KEEPER_SETTINGS}; "
        "`holdstill connect ssh://...` remembers a keeper elsewhere. What was set up here as root "
        "is found by root (sudo)",
    )


def print_json(value: object) -> None:
    """Print a value as JSON, for other programs."""
    sys.stdout.write(as_json(value) + "\n")


def as_json(value: object) -> str:
    """Return a value as JSON; in ASCII, so that a terminal can show it as well (RFC 8259, 7)."""
    return json.dumps(msgspec.to_builtins(value, str_keys=True), indent=2)


_SET_UP = {"board": "setup", "keeper": "keeper setup"}
"""The command that makes a machine one, and writes its settings."""


def _read(path: Path, whose: str) -> bytes:
    what = f"the settings file of this {whose} ({os.uname().nodename}), {path}"
    try:
        return path.read_bytes()
    except PermissionError as error:
        me = users.User.of_this_process().called
        raise UsageError(
            f"{what}, cannot be read by the user {me}",
            hint=f"as root: `chmod 644 {path}`; there are no secrets in it, and everybody may "
            "read it. The folders that it lies in have to be open as well",
        ) from error
    except OSError as error:
        raise UsageError(
            f"{what}, cannot be read: {error.strerror}",
            hint=f"`sudo holdstill {_SET_UP[whose]}` makes it, on a machine that is to be a "
            f"{whose}; or name another file with --settings",
        ) from error


def _decoded(path: Path, whose: str, decode: Callable[[bytes, str], T]) -> T:
    """Decode a settings file; what is wrong is told with whose file it is, and on which machine.

    A board is told what is wrong at its keeper, and has such a file, too.
    """
    name = f"{path} of the {whose} {os.uname().nodename}"
    try:
        return decode(_read(path, whose), name)
    except DocumentError as error:
        raise DocumentError(
            name,
            error.problems,
            hint=f"correct these lines; configs/{whose}.yaml, which came with holdstill, shows "
            "every key with its meaning",
        ) from error
