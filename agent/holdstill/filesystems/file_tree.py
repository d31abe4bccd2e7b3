"""What the readers of file systems have in common: the order of entries, and what bounds them."""

from __future__ import annotations

import heapq
from enum import Enum
from typing import TYPE_CHECKING, Protocol, TypeVar

from holdstill.errors import SecurityError
from holdstill.model import paths

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from holdstill.filesystems.hash_worker import Hasher
    from holdstill.model.entries import Entry

LOGICAL_MAX = 1 << 40
"""Bytes of all files together, holes included, that we are willing to hash by default."""


class Content(Enum):
    """Whether entries come with the digests of their contents."""

    SKIPPED = 0
    HASHED = 1


class FileTree(Protocol):
    """Files in a file system that is not mounted. Symlinks are never followed."""

    def entries(
        self,
        content: Content,
        *,
        logical_max: int = LOGICAL_MAX,
        hasher: Hasher | None = None,
    ) -> Iterator[Entry]:
        """Yield every entry in key order; a hasher hashes contents meanwhile."""

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, without digest, or None when there is none."""

    def children(self, path: bytes) -> list[Entry]:
        """Return the entries in a directory, without digests, in name order."""

    def read(self, path: bytes, *, limit: int) -> bytes:
        """Return the content of a regular file of at most limit bytes."""


Place = TypeVar("Place")


def in_key_order(
    root: Place, listing: Callable[[bytes, Place], Iterable[tuple[Entry, Place | None]]]
) -> Iterator[Entry]:
    """Yield the entries below root, by directory and then by name, bytewise.

    listing returns what is in one directory, in name order, each with its own place when it is a
    directory itself. Only the directories still to be read are remembered.
    """
    # "a-b" sorts before "a/b", so a directory's children do not follow it at once: a heap of
    # paths gives the order that sorting all entries would give. A path is in it only once, so
    # places are never compared.
    waiting: list[tuple[bytes, Place]] = [(b"", root)]
    while waiting:
        path, place = heapq.heappop(waiting)
        for entry, below in listing(path, place):
            yield entry
            if below is not None:
                heapq.heappush(waiting, (entry.path, below))


class ReadLimit:
    """Ends the reading of a file system that claims more than it can hold.

    Args:
        blocks: blocks (or clusters) that there are: two files cannot share one.
        logical: bytes of all files together, holes included.
    """

    def __init__(self, *, blocks: int, logical: int) -> None:
        self._blocks = blocks
        self._logical = logical

    def spend_blocks(self, count: int) -> None:
        """Count these blocks as in use; SecurityError when there are not that many."""
        self._blocks -= count
        if self._blocks < 0:
            raise SecurityError("files claim more blocks than the file system has")

    def spend_bytes(self, count: int) -> None:
        """Count the bytes of a file; SecurityError when the total is too large."""
        self._logical -= count
        if self._logical < 0:
            raise SecurityError("files are larger together than what may be read")


def checked_names(directory: bytes, names: Iterable[bytes]) -> None:
    """Check names in sorted order: well-formed, and none twice.

    Raises:
        SecurityError: one is not.
    """
    before = b""
    for name in names:
        # The full check costs ten times this one, and 100,000 names in a directory are normal.
        if not 0 < len(name) <= paths.NAME_MAX or b"/" in name or b"\0" in name:
            paths.check_name(name)
        if name == before:
            where = paths.display(paths.join(directory, name))
            raise SecurityError(f"a directory holds the same name twice: {where!r}")
        before = name
    paths.check_path(paths.join(directory, before) if before else directory)
