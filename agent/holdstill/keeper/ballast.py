"""A few megabytes that a store holds for the day on which its disk is full to the last byte.

STORE/ballast: boards stop at `min_free`, but other programs may fill the disk. Then even thinning
has no room for the line in a ledger that says what it deletes: it gives this file up first, and
makes it again at the end. Where it was given up before and could not be made again, the trees to
look at go: they are made again after the next captures.
"""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError
from holdstill.keeper import latest_tree

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.keeper.store import Store

NAME = "ballast"
SIZE = 4 << 20
"""Bytes; of chance, for some file systems compress."""
ROOM = 16 * SIZE
"""So much must be free before it is made."""


@contextmanager
def given_up_if_needed(store: Store) -> Iterator[None]:
    """Make room for the block if there is next to none; have the ballast there afterwards."""
    path = store.root / NAME
    if store.free()[0] < SIZE:
        with suppress(OSError):
            store.disk.unlink(path)
    if store.free()[0] < SIZE:
        for board in store.boards():
            with suppress(HoldstillError, OSError):
                latest_tree.remove(store, board)
    try:
        yield
    finally:
        if not os.path.lexists(path) and store.free()[0] >= ROOM:
            with suppress(OSError):
                store.disk.create(path, os.urandom(SIZE))
