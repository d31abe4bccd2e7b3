"""Contents of many files, read and hashed by another process while a tree is walked further.

Files written one after the other are stored one behind the other: they are read together, in
large pieces.
"""

from __future__ import annotations

import threading
from collections import deque
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from itertools import chain, islice
from queue import Queue
from typing import TYPE_CHECKING, NamedTuple, Protocol

import msgspec

from holdstill.errors import TargetFailedError, VerificationError
from holdstill.model import pieces
from holdstill.model.entries import EntryType, with_digest
from holdstill.system import worker_process

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from holdstill.model.entries import Entry
    from holdstill.system.byte_source import ByteSource
    from holdstill.system.worker_process import WorkerPipe

PIECE = 1 << 20
"""Bytes that are read at once."""
GAP = 64 << 10
"""Bytes between two spans that are read along: cheaper than another read."""
BATCH_ENTRIES, BATCH_BYTES = 256, 32 << 20
"""The amount hashed at a time: passing a batch costs as much as a small file."""
BATCHES_AHEAD = 8
"""Batches that wait to be answered, at most: the answers fit in a socket that is not read."""
PIECES_AHEAD, READERS = 8, 2
"""Pieces that are read before they are hashed, and how many of them at a time."""


class SourceSpan(NamedTuple):
    """Bytes of a content that are contiguous in a source."""

    offset: int
    length: int


Hole = int
"""The number of zeroes of a content that are not stored."""

Part = SourceSpan | Hole | bytes
"""A part of a content; bytes where it is known already."""


class ReadRange(NamedTuple):
    """Bytes of a source that are to be read at once, up to end."""

    start: int
    end: int


class SourceBytes(NamedTuple):
    """Bytes of a source, from a position on."""

    position: int
    content: bytes


class UnhashedContent(NamedTuple):
    """A content that is still to be hashed, and how many names its file has."""

    parts: list[Part]
    names: int


_Contents = list[list[Part]]
_Drawn = list[tuple["Entry", UnhashedContent | None]]


class Hasher(Protocol):
    """Hashes contents, batch by batch."""

    def begin(self, contents: _Contents) -> None:
        """Take on the contents of a batch."""

    def result(self) -> list[bytes]:
        """Return the SHA-256 of each content of the batch that was begun longest ago."""


class AtOnce:
    """Hashes in this process, when the result is wanted."""

    def __init__(self, source: ByteSource) -> None:
        self._source = source
        self._begun: deque[_Contents] = deque()

    def begin(self, contents: _Contents) -> None:
        """Take on the contents of a batch."""
        self._begun.append(contents)

    def result(self) -> list[bytes]:
        """Return the SHA-256 of each content of the batch that was begun longest ago.

        Raises:
            VerificationError: the source ends before a content does.
        """
        return hash_all(self._begun.popleft(), self._source)


class _HashReply(msgspec.Struct, frozen=True, omit_defaults=True):
    """Digests, or why there are none."""

    digests: list[bytes] = []
    cut_off: str = ""
    errno: int = 0
    strerror: str = ""


class _HashWorker:
    """Hashes in another process. Use `hash_worker`."""

    def __init__(self, link: WorkerPipe, progress: Callable[[int], None]) -> None:
        self._link, self._progress = link, progress
        self._sizes: deque[int] = deque()

    def begin(self, contents: _Contents) -> None:
        self._link.send(contents)
        parts = (part for parts in contents for part in parts)
        self._sizes.append(sum(part.length for part in parts if isinstance(part, SourceSpan)))

    def result(self) -> list[bytes]:
        said, _ = self._link.receive(_HashReply)
        if said.cut_off:
            raise VerificationError(said.cut_off)
        if said.errno:
            raise OSError(said.errno, said.strerror)
        self._progress(self._sizes.popleft())
        return said.digests


@contextmanager
def hash_worker(
    source: ByteSource, progress: Callable[[int], None] = lambda _: None
) -> Iterator[Hasher]:
    """Hold a process that hashes what is in a source.

    Its results raise VerificationError when the source ends before a content does, and OSError
    when it cannot be read.

    Args:
        source: what is hashed.
        progress: is called with numbers of bytes, as they are hashed.
    """
    with worker_process.started(lambda link: _serve(link, source)) as link:
        yield _HashWorker(link, progress)


def _serve(link: WorkerPipe, source: ByteSource) -> None:
    """Answer batches until no more come; what comes next is read while one is hashed."""
    with ThreadPoolExecutor(READERS, thread_name_prefix="read") as pool:
        said = _read_ahead(_heard(link), lambda place: pool.submit(_read, source, place))
        for item in said:
            if isinstance(item, list):  # pieces of a batch that failed are passed over
                link.send(_answered(item, said))


def _read_ahead(
    items: Iterator[_Contents | ReadRange], read: Callable[[ReadRange], Future[SourceBytes]]
) -> Iterator[_Contents | Future[SourceBytes]]:
    """Yield items that a separate thread draws ahead, up to a limit; places are being read."""
    drawn: Queue[_Contents | Future[SourceBytes] | Exception | None] = Queue(PIECES_AHEAD)

    def draw() -> None:
        try:
            for item in items:
                drawn.put(read(item) if isinstance(item, ReadRange) else item)
        except Exception as error:  # noqa: BLE001  raised again where it is received
            drawn.put(error)
        drawn.put(None)

    threading.Thread(target=draw, daemon=True).start()
    while (item := drawn.get()) is not None:
        if isinstance(item, Exception):
            raise item
        yield item


def _heard(link: WorkerPipe) -> Iterator[_Contents | ReadRange]:
    """Yield the contents of every batch, and then the places at which they are."""
    while True:
        try:
            contents, _ = link.receive(list[list[Part]])
        except TargetFailedError:  # the other end is closed
            return
        yield contents
        yield from _places(_spans(contents))


def _answered(contents: _Contents, said: Iterator[_Contents | Future[SourceBytes]]) -> _HashReply:
    """Hash a batch whose pieces come next."""
    pieces = (item.result() for item in said if isinstance(item, Future))
    try:
        return _HashReply(digests=_hash_each(contents, pieces))
    except VerificationError as error:
        return _HashReply(cut_off=str(error))
    except OSError as error:
        return _HashReply(errno=error.errno or 0, strerror=str(error.strerror))


def filled_in(
    entries: Iterable[Entry], unread: dict[int, UnhashedContent], hasher: Hasher
) -> Iterator[Entry]:
    """Yield entries in their order, with digests.

    Args:
        entries: without digests; drawn some way ahead.
        unread: by inode, where contents are: that of the entry drawn last, and of a file with
            several names only with the first of them. They are taken out.
        hasher: hashes them.
    """
    waiting: deque[_Drawn] = deque()
    linked: dict[int, tuple[bytes, int]] = {}
    for drawn in _batches(entries, unread):
        hasher.begin([content.parts for _, content in drawn if content is not None])
        waiting.append(drawn)
        if len(waiting) > BATCHES_AHEAD:
            yield from _finished(waiting.popleft(), hasher.result(), linked)
    for drawn in waiting:
        yield from _finished(drawn, hasher.result(), linked)


def _batches(entries: Iterable[Entry], unread: dict[int, UnhashedContent]) -> Iterator[_Drawn]:
    drawn: _Drawn = []
    size = 0
    for entry in entries:
        drawn.append((entry, unread.pop(entry.seen.inode, None)))
        size += entry.size
        if len(drawn) >= BATCH_ENTRIES or size >= BATCH_BYTES:
            yield drawn
            drawn, size = [], 0
    yield drawn


def _finished(
    drawn: _Drawn, found: list[bytes], linked: dict[int, tuple[bytes, int]]
) -> Iterator[Entry]:
    """Yield the entries of a batch; digests of files are kept until their last name."""
    digests = iter(found)
    for entry, content in drawn:
        if content is not None:
            digest, names = next(digests), content.names
        elif (
            entry.type is EntryType.FILE and entry.size and entry.link and not entry.digest
        ):  # a further name of a file whose content was left to us
            digest, names = linked.pop(entry.seen.inode)
        else:
            yield entry
            continue
        if names > 1:
            linked[entry.seen.inode] = digest, names - 1
        yield with_digest(entry, digest)


def hash_all(contents: _Contents, source: ByteSource) -> list[bytes]:
    """Return the SHA-256 of each content.

    Raises:
        VerificationError: the source ends before a content does.
    """
    return _hash_each(contents, _pieces(_spans(contents), source))


def _hash_each(contents: _Contents, read: Iterator[SourceBytes]) -> list[bytes]:
    """Hash contents whose pieces come in their order."""
    reader = _ChunkReader(read)
    return [
        _hash(size_of(parts), chain.from_iterable(map(reader.chunks, parts))) for parts in contents
    ]


def hash_parts(size: int, parts: Iterable[Part], source: ByteSource) -> bytes:
    """Return the digest of a content of size bytes, reading one part after the other.

    Raises:
        VerificationError: the source ends before the content does.
    """
    return _hash(
        size,
        (
            chunk
            for part in parts
            for chunk in _ChunkReader(_pieces(_spans([[part]]), source)).chunks(part)
        ),
    )


def _hash(size: int, chunks: Iterable[bytes | memoryview | Hole]) -> bytes:
    total = pieces.ContentHash(size)
    for chunk in chunks:
        if isinstance(chunk, int):
            total.add_zeroes(chunk)
        else:
            total.update(chunk)
    return total.digest()


def size_of(parts: Iterable[Part]) -> int:
    """Return the bytes that the parts of a content make."""
    return sum(
        part.length
        if isinstance(part, SourceSpan)
        else len(part)
        if isinstance(part, bytes)
        else part
        for part in parts
    )


def _spans(contents: _Contents) -> list[SourceSpan]:
    return [part for parts in contents for part in parts if isinstance(part, SourceSpan)]


def _places(spans: Sequence[SourceSpan]) -> Iterator[ReadRange]:
    """Yield what is to be read for these spans: pieces of them, those close together at once."""
    start = end = 0
    for turn, (offset, length) in enumerate(spans, start=1):
        position, stop = offset, offset + length
        while position < stop:
            if not start <= position < end:
                start, end = position, min(stop, position + PIECE)
                if end == stop:
                    end = _end_of_near(spans, turn, end, most=position + PIECE)
                yield ReadRange(start, end)
            position = min(stop, end)


def _end_of_near(spans: Sequence[SourceSpan], turn: int, end: int, *, most: int) -> int:
    """Return the end of the last span that follows close behind."""
    for start, length in islice(spans, turn, None):
        if not end <= start <= end + GAP or start + length > most:
            break
        end = start + length
    return end


def _pieces(spans: Sequence[SourceSpan], source: ByteSource) -> Iterator[SourceBytes]:
    return (_read(source, place) for place in _places(spans))


def _read(source: ByteSource, place: ReadRange) -> SourceBytes:
    start, end = place
    try:
        return SourceBytes(start, source.read(start, end - start))
    except EOFError as error:
        raise VerificationError(f"the file system is cut off before byte {start}") from error


class _ChunkReader:
    """Finds parts in pieces, which come in the order of the parts."""

    def __init__(self, pieces: Iterator[SourceBytes]) -> None:
        self._pieces = pieces
        self._start = self._end = 0
        self._held = memoryview(b"")

    def chunks(self, part: Part) -> Iterator[bytes | memoryview | Hole]:
        """Yield the bytes of the part whose turn it is; a hole as its length."""
        match part:
            case bytes():
                yield part
            case Hole(length):
                yield length
            case SourceSpan(offset, length):
                yield from self._found(offset, offset + length)

    def _found(self, position: int, end: int) -> Iterator[memoryview]:
        while position < end:
            if not self._start <= position < self._end:
                self._start, content = next(self._pieces)
                self._held, self._end = memoryview(content), self._start + len(content)
            stop = min(end, self._end)
            yield self._held[position - self._start : stop - self._start]
            position = stop
