"""A run goes over to the next session of the same board, when the line of the first one is dead.

A keeper notices that only minutes later. Who begins a run says a word that it has made up once;
who says it again has the session that holds the run end as soon as that waits for a call. It is
never ended in the middle of one: what it takes over or seals, it finishes. Another machine with
the board's key does not know the word, and finds the board busy.
"""

from __future__ import annotations

import hashlib
import hmac
import os
from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.keeper import incoming
from holdstill.system import files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.keeper.incoming import RunLock
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName

NEXT = "lock.next"
"""In a board's folder: a digest of the word of who wants the run; the lock has the holder's."""
TRIES = 400
"""Of incoming.LOOK seconds each: a session that waits for a call ends within a second or two."""


def take_lock(store: Store, board: BoardName, client: str) -> RunLock:
    """Become the board's only run, or its next session.

    Args:
        store: has the board's folder.
        board: whose run it is.
        client: the word of who begins; "" for none.

    Raises:
        BusyError: another run is alive; or this one, in the middle of a call.
    """
    folder = store.board_folder(board)
    is_ours = bool(client) and _says(folder / incoming.LOCK, client)
    if is_ours:
        with suppress(OSError):  # a full disk: then the other session is waited for
            _write(folder / NEXT, client)
    lock = incoming.take_lock(store, board, tries=TRIES if is_ours else incoming.LOCK_TRIES)
    with suppress(OSError):
        (folder / NEXT).unlink(missing_ok=True)
        _write(folder / incoming.LOCK, client)
    return lock


def is_wanted(store: Store, board: BoardName, client: str) -> bool:
    """Return whether the session with this word is to make way for the next one."""
    return bool(client) and _says(store.board_folder(board) / NEXT, client)


def _says(path: Path, client: str) -> bool:
    with suppress(OSError):
        return hmac.compare_digest(files.read_regular(path), _digest(client))
    return False


def _write(path: Path, client: str) -> None:
    # Not synced: after a power cut there is no session to be ended.
    flags = os.O_WRONLY | os.O_CREAT | os.O_NOFOLLOW
    with files.opened(path, flags) as handle:
        os.pwrite(handle, _digest(client), 0)


def _digest(client: str) -> bytes:
    return hashlib.sha256(client.encode()).digest()
