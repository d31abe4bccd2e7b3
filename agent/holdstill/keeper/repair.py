"""Repair of a store: contents whose bytes went bad on the disk.

The bad file is taken out of content/, so that the store lacks it: the next capture that needs it
makes the board send it again. A marker in STORE/damaged/ remembers what is awaited, over any
interruption; the bad bytes are kept beside it, for who wants to look, until garbage is collected
some days after the content came back.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.errors import MachineError, UsageError
from holdstill.keeper import trash
from holdstill.model import names
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import Digest


_BYTES = ".bytes"
_NO_VERDICT = frozenset(
    {
        errno.ESTALE, errno.ETIMEDOUT, errno.ENOTCONN, errno.EHOSTDOWN, errno.EHOSTUNREACH,
        errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EINTR,
    }
)  # fmt: skip
"""Errors (errno(3)) that say nothing about the bytes."""


class RepairResult(StrEnum):
    """What became of a content that was reported as bad."""

    SOUND = "sound"
    """It is good after all: another disk cache, another day, or repaired already."""
    AWAITED = "awaited"
    """It was taken out; the board is asked for it at its next capture."""


def repair(store: Store, digest: Digest) -> RepairResult:
    """Do for one content what can be done here and now."""
    store.lay_out()
    with store.alone_with_contents():
        path = store.contents.path(digest)
        if is_good(path, digest):
            return RepairResult.SOUND
        take_out(store, digest)
        if _put_back(store, digest):
            return RepairResult.SOUND
        if trash.take_back(store, digest) and not is_good(path, digest):
            store.discard(path)
        return RepairResult.SOUND if is_good(path, digest) else RepairResult.AWAITED


def take_out(store: Store, digest: Digest) -> None:
    """Take a bad content out of content/, and remember that it is awaited."""
    folder, path = _folder(store), store.contents.path(digest)
    store.ensure_own(folder)
    with suppress(FileExistsError):
        store.disk.create(folder / digest, b"")
    store.disk.sync_directory(folder)
    if os.path.lexists(path):
        kept = folder / f"{digest}{_BYTES}"
        store.discard(kept)
        store.disk.rename(path, kept)
        store.disk.sync_directory(path.parent)


def _put_back(store: Store, digest: Digest) -> bool:
    """Put bytes that were taken out back if they are good after all; return whether they were.

    A disk that was not there for a moment answers like one that has lost them.
    """
    kept, path = _folder(store) / f"{digest}{_BYTES}", store.contents.path(digest)
    if os.path.lexists(path) or not os.path.lexists(kept) or not is_good(kept, digest):
        return False
    with suppress(FileExistsError):
        store.disk.rename_new(kept, path)
    store.disk.sync_directory(path.parent)
    return True


def is_good(path: Path, digest: Digest) -> bool:
    """Return whether a file's bytes on the disk, past the cache, have the digest in its name.

    Raises:
        OSError: nobody can tell now, for a reason that lies with this machine or with the way to
            the disk.
    """
    try:
        with files.opened(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK) as handle:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                return False
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
            found = files.hash_open_file(handle, os.fstat(handle).st_size)
    except EOFError:
        return False
    except OSError as error:
        if error.errno in _NO_VERDICT:
            raise
        return False
    return found.hex() == digest


def finish(store: Store) -> tuple[Digest, ...]:
    """Take away the markers of contents that are back; return those that are still awaited.

    What was taken out and is good after all is put back first.
    """
    store.check_own(_folder(store))
    marked = _marked(store)
    lacking = tuple(
        digest
        for digest in marked
        if not store.contents.has(digest) and not _put_back(store, digest)
    )
    for digest in set(marked).difference(lacking):
        store.disk.unlink(_folder(store) / digest)
    return lacking


def awaited(store: Store) -> tuple[Digest, ...] | None:
    """Return the contents that were taken out and have not come back; None if nobody can tell."""
    try:
        store.check_own(_folder(store))
        marked = _marked(store)
    except (MachineError, OSError):
        return None
    return tuple(digest for digest in marked if not store.contents.has(digest))


def tidy(store: Store, needed: Callable[[Digest], bool], *, before: float) -> None:
    """Give up what no repair needs any more.

    That is markers of contents that no capture needs, and the bytes of bad contents that are no
    longer awaited.

    Args:
        store: of all boards; the caller owns it.
        needed: whether a capture needs a content.
        before: Unix time; bytes that were taken out later stay for who wants to look.
    """
    folder = _folder(store)
    store.check_own(folder)
    for digest in _marked(store):
        if not needed(digest):
            store.disk.unlink(folder / digest)
    awaited = {f"{digest}{_BYTES}" for digest in finish(store)}
    for path in sorted(folder.glob(f"*{_BYTES}")):
        # The renaming is the last change of such a file's inode.
        if path.name not in awaited and path.lstat().st_ctime < before:
            store.discard(path)


def _folder(store: Store) -> Path:
    return store.root / "damaged"


def _marked(store: Store) -> list[Digest]:
    folder, found = _folder(store), []
    for path in sorted(folder.iterdir()) if os.path.lexists(folder) else ():
        try:
            found.append(names.check_digest(path.name))
        except UsageError:  # the bytes of a bad content
            continue
    return found
