"""Which captures of a board retention is deleting at this moment.

STORE/boards/<board>/sealing/thinning-<random>: their names, one a line; written before the ledger
says that they are deleted, and gone when they are. What the ledger has as deleted, and is there
without being named so, was put back by somebody: that is nobody's to delete.
"""

from __future__ import annotations

import secrets
from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.ledger import Ledger
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

_PREFIX = "thinning-"


def note(store: Store, board: BoardName, captures: Iterable[str]) -> Path:
    """Note that these captures are about to be deleted; the ledger is held for writing."""
    path = _folder(store, board) / f"{_PREFIX}{secrets.token_hex(8)}"
    store.disk.publish(path, "".join(f"{name}\n" for name in captures).encode())
    return path


def over(store: Store, noted: Iterable[Path]) -> None:
    """Take notes away whose captures are deleted."""
    for path in noted:
        with suppress(FileNotFoundError):  # another process has finished the same
            store.disk.unlink(path)


def under_way(store: Store, board: BoardName) -> frozenset[str]:
    """Return the captures that are being deleted, or were when that was cut off."""
    return frozenset(name for path in _noted(store, board) for name in _names(path))


def cut_off(store: Store, board: BoardName, ledger: Ledger) -> tuple[list[Path], frozenset[str]]:
    """Return the notes of deletions that are to be finished, and their captures.

    Those that never reached the ledger, which is held for writing, are taken away.
    """
    found = {path: frozenset(_names(path)) & ledger.deleted for path in _noted(store, board)}
    over(store, [path for path, names in found.items() if not names])
    left = [path for path, names in found.items() if names]
    return left, frozenset(name for path in left for name in found[path])


def is_note(path: Path) -> bool:
    """Whether a file beside captures in the making is such a note."""
    return path.name.startswith(_PREFIX)


def _folder(store: Store, board: BoardName) -> Path:
    return store.board_folder(board) / "sealing"


def _noted(store: Store, board: BoardName) -> list[Path]:
    return sorted(_folder(store, board).glob(f"{_PREFIX}*"))


def _names(path: Path) -> Iterator[str]:
    with suppress(OSError, UnicodeDecodeError):  # it is over, or spoiled: then people are asked
        yield from files.read_regular(path).decode("ascii").split()
