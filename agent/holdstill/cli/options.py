"""Options that several commands share, and how their values are read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec

from holdstill.errors import UsageError
from holdstill.model import settings as model_settings

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.decorators import FC

    from holdstill.model.settings import BoardSettings, KeeperSettings

BOARD_SETTINGS = Path("/etc/holdstill/board.yaml")
KEEPER_SETTINGS = Path("/etc/holdstill/keeper.yaml")


def settings_option(default: Path) -> Callable[[FC], FC]:
    """Add --settings with a default place."""
    return click.option(
        "--settings",
        "settings_path",
        type=click.Path(path_type=Path, dir_okay=False),
        default=default,
        show_default=True,
        envvar="HOLDSTILL_SETTINGS",
        help="Settings file.",
    )


json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON for other programs instead of text."
)
store_option = click.option(
    "--store",
    "store_address",
    envvar="HOLDSTILL_STORE",
    help="The store: a directory, or ssh://user@host[:port]. Default: the one in the keeper's "
    f"settings ({KEEPER_SETTINGS}), else the one in the board's.",
)


def read_board_settings(path: Path) -> BoardSettings:
    """Read the board's settings file.

    Raises:
        UsageError: it cannot be read; DocumentError: it has problems.
    """
    return model_settings.decode_board_settings(_read(path, "board"), str(path))


def read_keeper_settings(path: Path) -> KeeperSettings:
    """Read the keeper's settings file.

    Raises:
        UsageError: it cannot be read; DocumentError: it has problems.
    """
    return model_settings.decode_keeper_settings(_read(path, "keeper"), str(path))


def store_address(given: str | None) -> str:
    """Return the store that is meant: the one given, else the one in the settings.

    Raises:
        UsageError: none is given, and there are no settings.
    """
    if given:
        return given
    if KEEPER_SETTINGS.exists():
        return read_keeper_settings(KEEPER_SETTINGS).store
    if BOARD_SETTINGS.exists():
        return read_board_settings(BOARD_SETTINGS).keeper
    raise UsageError("which store?", hint="give --store, or set HOLDSTILL_STORE")


def print_json(value: object) -> None:
    """Print a value as JSON, for other programs."""
    click.echo(msgspec.json.format(msgspec.json.encode(value), indent=2).decode())


def _read(path: Path, whose: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UsageError(
            f"cannot read the {whose}'s settings {path}: {error.strerror}",
            hint=f"start from configs/{whose}.yaml, or name another file with --settings",
        ) from error
