"""Small contents, fetched ahead by other threads: a store on a disk or network takes its time."""

from __future__ import annotations

import hashlib
import os
from collections import deque
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import HoldstillError, TargetFailedError
from holdstill.model import paths
from holdstill.model.entries import Entry, EntryType
from holdstill.rebuild import sources

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from concurrent.futures import Future, ThreadPoolExecutor

    from holdstill.rebuild.sources import Contents

SMALL = 256 << 10
"""Bytes of a content that is read at once."""
BATCH_ENTRIES, BATCH_BYTES = 24, 512 << 10
"""A thread fetches so much at a time: handing over costs as much as a small file."""
BATCHES_AHEAD, BYTES_AHEAD = 8, 4 << 20
"""What is drawn ahead at most."""
OTHER_BYTES = "its bytes have another SHA-256"


class Fetched(NamedTuple):
    """An entry, and its content if that is small.

    Attributes:
        content: checked bytes; None = not fetched; an error to be raised when it is its turn.
    """

    entry: Entry
    content: bytes | HoldstillError | None


def ahead(
    entries: Iterable[Entry], contents: Contents, threads: ThreadPoolExecutor
) -> Iterator[Fetched]:
    """Yield entries in their order while contents of later ones are being fetched."""
    waiting: deque[_Batch] = deque()
    size = 0
    for batch in _batches(entries):
        waiting.append(_Batch(batch.size, threads.submit(_fetch_all, batch.entries, contents)))
        size += batch.size
        while waiting and (size > BYTES_AHEAD or len(waiting) > BATCHES_AHEAD):
            done = waiting.popleft()
            size -= done.size
            yield from done.results.result()
    for done in waiting:
        yield from done.results.result()


class _Drawn(NamedTuple):
    entries: list[Entry]
    size: int


class _Batch(NamedTuple):
    size: int
    results: Future[list[Fetched]]


def _batches(entries: Iterable[Entry]) -> Iterator[_Drawn]:
    """Cut a stream into batches; large contents count too, though they are not fetched here.

    What was drawn and not yet asked for must stay little: a store at the other end of a line
    keeps only so much at hand.
    """
    batch: list[Entry] = []
    size = 0
    for entry in entries:
        batch.append(entry)
        size += entry.size
        if len(batch) >= BATCH_ENTRIES or size >= BATCH_BYTES:
            yield _Drawn(batch, size)
            batch, size = [], 0
    yield _Drawn(batch, size)


def _is_small(entry: Entry) -> bool:
    """Whether an entry's content is fetched ahead; of hard links only one is read, later."""
    is_file = entry.type is EntryType.FILE and bool(entry.digest) and not entry.link
    return is_file and entry.size <= SMALL and not entry.sparse


def _fetch_all(batch: list[Entry], contents: Contents) -> list[Fetched]:
    return [
        Fetched(entry, _fetch(entry, contents) if _is_small(entry) else None) for entry in batch
    ]


def _fetch(entry: Entry, contents: Contents) -> bytes | HoldstillError:
    try:
        return read(entry, contents)
    except HoldstillError as error:
        return error


def read(entry: Entry, contents: Contents) -> bytes:
    """Return a content that is read at once.

    Raises:
        VerificationError: it is not what the entry says.
        TargetFailedError: it cannot be read.
    """
    try:
        handle = contents.open(entry.digest)
        try:
            content = os.pread(handle, entry.size + 1, 0)
            if len(content) != entry.size:
                raise sources.not_the_content(entry, other_size(handle, entry.size))
        finally:
            os.close(handle)
    except OSError as error:
        raise unreadable(entry, error) from error
    if hashlib.sha256(content).digest() != entry.digest:
        raise sources.not_the_content(entry, OTHER_BYTES)
    return content


def unreadable(entry: Entry, error: OSError) -> TargetFailedError:
    """Return the error for a content that the store does not give."""
    return TargetFailedError(
        f"cannot read the content of {paths.display(entry.path)!r}: {error.strerror}",
        hint="check the store's disk: `holdstill verify`",
    )


def other_size(handle: int, size: int) -> str:
    """Say that an open content has another size."""
    return f"it has {os.fstat(handle).st_size} bytes instead of {size}"
