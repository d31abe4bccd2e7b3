"""Contents laid out for a board that fetches them: of its own captures, and only those named."""

from __future__ import annotations

import os
import secrets
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol

from holdstill.errors import VerificationError
from holdstill.keeper import references
from holdstill.keeper.account import Spent
from holdstill.model.sizes import BLOCK
from holdstill.records import capture_contents
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.keeper.board_captures import StoredCapture
    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName, Digest

LAID_OUT_MOST = 64
"""Folders that a board may have at a time: some for each of its sessions."""
_NAME_BYTES = 72
"""Bytes of a directory entry named by a digest (ext4)."""


NAME = "outgoing"
"""Of the folder, in that of a board or of a reader, in which contents are laid out."""


class Spending(Protocol):
    """What says how much may be laid out."""

    def spending(self, spent: Spent) -> AbstractContextManager[None]:
        """Charge what the block writes."""


def folder(store: Store, board: BoardName) -> Path:
    """Return the folder in which contents are laid out for a board."""
    return store.board_folder(board) / NAME


def lay_out(
    store: Store,
    capture: StoredCapture,
    digests: Sequence[Digest],
    *,
    account: Spending,
    top: Path,
) -> Path:
    """Link contents of a capture into a new directory below top; return it.

    Hard links, which an rsync that only sends reads from; copies where there are no links, each
    charged before it is made.

    Raises:
        VerificationError: the capture has no such content, or the store lost it.
        PreflightError: the board may have no further copy.
    """
    wanted = tuple(dict.fromkeys(digests))
    _check_own(store, capture, wanted)
    store.ensure_own(top)
    _give_up_oldest(store, top)
    made = top / secrets.token_hex(8)
    with account.spending(Spent(bytes=BLOCK + _NAME_BYTES * len(wanted), inodes=1)):
        store.disk.make_directory(made)
    with store.using_contents(), files.opened(made, os.O_RDONLY | os.O_DIRECTORY) as handle:
        for digest in wanted:
            if not store.contents.has(digest):
                raise VerificationError(f"the store lacks content {digest}")
            path = store.contents.path(digest)
            try:
                store.disk.link_at(os.fspath(path), os.fsencode(digest), handle)
            except OSError:  # no hard links here, or no further one
                with account.spending(Spent.of_files([path.stat().st_size])):
                    store.disk.clone(path, made / digest)
    return made


def _give_up_oldest(store: Store, top: Path) -> None:
    """Give up what was laid out first: each holds a link to contents that others need, too."""
    found = []
    for path in top.iterdir():
        with suppress(FileNotFoundError):  # another session was quicker
            found.append((path.lstat().st_mtime_ns, path))
    for _, path in sorted(found)[: 1 - LAID_OUT_MOST]:
        store.discard(path)


def _check_own(store: Store, capture: StoredCapture, digests: Sequence[Digest]) -> None:
    """A board may fetch contents of its own captures, but none of which it has only the digest."""
    asked = {bytes.fromhex(digest) for digest in digests}
    with suppress(references.UnsoundReferencesError), references.opened(store) as known:
        asked = {digest for digest in asked if not known.has(capture.board, digest)}
    if asked:  # the capture is not accounted for yet, say
        asked.difference_update(digest for digest, _ in capture_contents.needed(capture))
    if asked:
        raise VerificationError(
            f"capture {capture.name} of {capture.board} has no content {min(asked).hex()}"
        )
