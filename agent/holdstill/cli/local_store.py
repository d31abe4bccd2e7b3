"""Opens a store that is a directory of this machine."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.cli import options
from holdstill.errors import UsageError
from holdstill.keeper import enrolment
from holdstill.keeper.store import open_store
from holdstill.model import names

if TYPE_CHECKING:
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName


def opened(given: str | None) -> Store:
    """Open a store that is a directory of this machine, for reading.

    Raises:
        UsageError: the address is none, or not of a directory.
    """
    return open_store(folder(given))


def folder(given: str | None) -> Path:
    """Return the directory of this machine that is the store.

    Raises:
        UsageError: the address is none, or not of a directory.
    """
    address = options.store_address(given)
    if "://" in address:
        raise UsageError(
            f"{address} is not a directory of this machine",
            hint="run this command at the keeper, or mount its store here and name the directory",
        )
    return Path(address).absolute()


def enrolled(store: Store, board: str) -> BoardName:
    """Return a board's name, if the store knows it.

    Raises:
        UsageError: it does not.
        HoldstillError, OSError: there is a folder of that board, and its enrolment cannot be read.
    """
    name = names.check_board(board)
    if name not in store.boards():
        if os.path.lexists(store.board_folder(name)):
            enrolment.read(store, name)  # says what is wrong with it
        from holdstill.keeper import account_captures  # noqa: PLC0415  a third of a start

        if name in account_captures.lost_boards(store):
            raise enrolment.lost(store.board_folder(name))
        raise UsageError(
            f"{store.root} knows no board {name}",
            hint=f"it knows {', '.join(store.boards()) or 'none yet'}",
        )
    return name
