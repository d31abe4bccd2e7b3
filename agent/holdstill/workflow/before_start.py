"""What stands in the way of a command, found before it begins, and told together."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, NoReturn

from holdstill.errors import BusyError, HoldstillError, PreflightError, SecurityError
from holdstill.model.store_address import HostAddress
from holdstill.system import debian_packages
from holdstill.transport import host_keys
from holdstill.workflow import needed_programs

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from holdstill.model.protocol import Hello
    from holdstill.model.settings import BoardSettings


def of_programs(wanted: Iterable[str], *, where: str = "on this machine") -> list[HoldstillError]:
    """Return an error if programs are missing, with all of them."""
    missing = debian_packages.missing(wanted)
    return [_lacking(missing, where)] if missing else []


def _lacking(programs: Sequence[str], where: str) -> HoldstillError:
    return PreflightError(
        f"missing programs {where}: {', '.join(programs)}",
        hint=debian_packages.how_to_install(programs),
    )


def of_board(settings: BoardSettings) -> list[HoldstillError]:
    """Return what a capture would lack on the board itself: programs, its key, the pinned host."""
    found = of_programs(needed_programs.of_capture(settings.keeper))
    found += of_key(settings.key)
    if isinstance(settings.keeper, HostAddress):
        try:
            host_keys.pinned(settings.host_keys, settings.keeper)
        except SecurityError as error:
            found.append(error)
    return found


def of_key(key: Path) -> list[HoldstillError]:
    """Return what is wrong with a private key: ssh uses none that others may read (ssh(1))."""
    try:
        found = key.stat()
    except OSError as error:
        return [
            PreflightError(
                f"cannot use the key {key}: {error.strerror}",
                hint="run this as root; if there is none any more, `holdstill setup --replace` "
                "makes another one, which has to be enrolled at the keeper",
            )
        ]
    if found.st_uid == os.geteuid() and found.st_mode & 0o077:
        return [
            PreflightError(
                f"others may read the private key {key}, so ssh would not use it",
                hint=f"`sudo chmod 600 {key}`; if others could log in meanwhile, make a new one",
            )
        ]
    return []


def of_keeper(hello: Hello) -> list[HoldstillError]:
    """Return what a keeper that answers says that it lacks."""
    return [_lacking(hello.missing, "at the keeper")] if hello.missing else []


def refuse(found: Sequence[HoldstillError]) -> None:
    """Raise what stands in the way: all of it in one error, so that it is mended in one go.

    Raises:
        HoldstillError: the only one, as it is.
        SecurityError: several, and at least one is of safety; PreflightError: any others.
    """
    if found:
        _refuse(found)


def _refuse(found: Sequence[HoldstillError]) -> NoReturn:
    busy = [error for error in found if isinstance(error, BusyError)]
    if len(found) == 1 or busy:
        raise (*busy, *found)[0]
    lines = [f"  {number}. {_line(error)}" for number, error in enumerate(found, start=1)]
    is_unsafe = any(isinstance(error, SecurityError) for error in found)
    raise (SecurityError if is_unsafe else PreflightError)(
        "\n".join([f"{len(found)} things are in the way, and nothing was begun:", *lines]),
        hint="mend all of them, then run this again",
    )


def _line(error: HoldstillError) -> str:
    return f"{error}; what to do: {error.hint}" if error.hint else str(error)
