"""Contents of many files, read and hashed by other threads while a tree is walked further.

Files that were written one after the other lie one behind the other: they are read together, in
large pieces. Reading and hashing let other threads run meanwhile.
"""

from __future__ import annotations

import hashlib
from collections import deque
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.model.entries import EntryType

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from concurrent.futures import Future, ThreadPoolExecutor

    from holdstill.formats.source import ByteSource
    from holdstill.model.entries import Entry

PIECE = 1 << 20
"""Bytes that are read at once."""
GAP = 64 << 10
"""Bytes between two spans that are read along: cheaper than another read."""
BATCH_ENTRIES, BATCH_BYTES = 256, 4 << 20
"""A thread hashes so much at a time: handing over costs as much as a small file."""
BATCHES_AHEAD = 8
_ZEROES = bytes(PIECE)


class Span(NamedTuple):
    """Bytes of a content that lie together in a source."""

    offset: int
    length: int


class Hole(NamedTuple):
    """Zeroes of a content that lie nowhere."""

    length: int


Part = Span | Hole | bytes
"""A part of a content; bytes where it is known already."""


class Unread(NamedTuple):
    """A content that is still to be hashed, and how many names its file has."""

    parts: list[Part]
    names: int


def filled_in(
    entries: Iterable[Entry],
    unread: dict[int, Unread],
    source: ByteSource,
    threads: ThreadPoolExecutor,
) -> Iterator[Entry]:
    """Yield entries in their order, with digests.

    Args:
        entries: without digests; drawn some way ahead.
        unread: by inode, where contents are: that of the entry drawn last, and of a file with
            several names only with the first of them. They are taken out.
        source: where the spans are; it must bear being read by several threads.
        threads: read and hash.

    Raises:
        VerificationError: the source ends before a content does.
    """
    waiting: deque[_Batch] = deque()
    linked: dict[int, tuple[bytes, int]] = {}
    for batch in _batches(entries, unread, source, threads):
        waiting.append(batch)
        if len(waiting) > BATCHES_AHEAD:
            yield from _finished(waiting.popleft(), linked)
    for batch in waiting:
        yield from _finished(batch, linked)


class _Batch(NamedTuple):
    drawn: list[tuple[Entry, Unread | None]]
    digests: Future[list[bytes]]


def _batches(
    entries: Iterable[Entry],
    unread: dict[int, Unread],
    source: ByteSource,
    threads: ThreadPoolExecutor,
) -> Iterator[_Batch]:
    drawn: list[tuple[Entry, Unread | None]] = []
    size = 0
    for entry in entries:
        drawn.append((entry, unread.pop(entry.seen.inode, None)))
        size += entry.size
        if len(drawn) >= BATCH_ENTRIES or size >= BATCH_BYTES:
            yield _submitted(drawn, source, threads)
            drawn, size = [], 0
    yield _submitted(drawn, source, threads)


def _submitted(
    drawn: list[tuple[Entry, Unread | None]], source: ByteSource, threads: ThreadPoolExecutor
) -> _Batch:
    contents = [content.parts for _, content in drawn if content is not None]
    return _Batch(drawn, threads.submit(_hash_all, contents, source))


def _finished(batch: _Batch, linked: dict[int, tuple[bytes, int]]) -> Iterator[Entry]:
    """Yield the entries of a batch; digests of files are kept until their last name."""
    digests = iter(batch.digests.result())
    for entry, content in batch.drawn:
        if content is not None:
            digest, names = next(digests), content.names
        elif _is_known(entry):
            digest, names = linked.pop(entry.seen.inode)
        else:
            yield entry
            continue
        if names > 1:
            linked[entry.seen.inode] = digest, names - 1
        yield entry._replace(digest=digest)


def _is_known(entry: Entry) -> bool:
    """Whether an entry is a further name of a file whose content was left to us."""
    is_file = entry.type is EntryType.FILE and bool(entry.size)
    return is_file and bool(entry.link) and not entry.digest


def _hash_all(contents: list[list[Part]], source: ByteSource) -> list[bytes]:
    reader = _Reader(source, [part for parts in contents for part in parts])
    return [_hash(parts, reader) for parts in contents]


def hash_parts(parts: Iterable[Part], source: ByteSource) -> bytes:
    """Return the SHA-256 of a content, reading one part after the other."""
    return _hash(parts, _Reader(source, []))


def _hash(parts: Iterable[Part], reader: _Reader) -> bytes:
    total = hashlib.sha256()
    for part in parts:
        for chunk in reader.chunks(part):
            total.update(chunk)
    return total.digest()


class _Reader:
    """Reads parts; of those that were announced, in their order, many at once."""

    def __init__(self, source: ByteSource, announced: list[Part]) -> None:
        self._source = source
        self._spans = [part for part in announced if isinstance(part, Span)]
        self._turn = 0
        self._start = self._end = 0
        self._held = memoryview(b"")

    def chunks(self, part: Part) -> Iterator[bytes | memoryview]:
        """Yield the bytes of the part whose turn it is."""
        match part:
            case bytes():
                yield part
            case Hole(length):
                for start in range(0, length, PIECE):
                    yield memoryview(_ZEROES)[: length - start]
            case Span(offset, length):
                self._turn += 1
                yield from self._read(offset, offset + length)

    def _read(self, position: int, end: int) -> Iterator[memoryview]:
        while position < end:
            if not self._start <= position < self._end:
                self._load(position, end)
            stop = min(end, self._end)
            yield self._held[position - self._start : stop - self._start]
            position = stop

    def _load(self, position: int, end: int) -> None:
        """Read a piece of a span, or all of its rest and what follows close behind."""
        stop = min(end, position + PIECE)
        if stop == end:
            stop = self._end_of_near(position, stop)
        try:
            self._held = memoryview(self._source.read(position, stop - position))
        except EOFError as error:
            raise VerificationError(
                f"the file system is cut off before byte {position}"
            ) from error
        self._start, self._end = position, stop

    def _end_of_near(self, position: int, end: int) -> int:
        for turn in range(self._turn, len(self._spans)):
            start, length = self._spans[turn]
            if not end <= start <= end + GAP or start + length > position + PIECE:
                break
            end = start + length
        return end
