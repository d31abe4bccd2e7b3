"""Contents of a far capture on a bounded piece of this machine's disk.

A writer opens contents in the order of the entries that it is given. So the
stream of entries prefetches: before it yields a batch of them, it fetches, in one transfer,
what that batch needs. The batch that was yielded longest ago is evicted. A content that is opened
for out of turn is fetched alone, and has no name on disk any more once it is open.

Two names of one content far apart in the tree may have it fetched twice: that costs the line
something, and never room.
"""

from __future__ import annotations

import os
import threading
from collections import OrderedDict
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import RLock
from typing import TYPE_CHECKING, Protocol, TypeVar

from holdstill.errors import LinkError
from holdstill.model import pieces
from holdstill.model.entries import EntryType
from holdstill.model.names import Digest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import Part

T = TypeVar("T")

LIMIT = 256 << 20
"""Bytes of contents that are here at one time. One content may be larger: it comes alone."""
BATCH = 10_000
"""Most contents that are fetched in one go."""


class FetchContents(Protocol):
    """Gets contents from the other end."""

    def __call__(self, digests: Sequence[Digest], folder: Path) -> None:
        """Put contents into a folder of this machine, each under its digest."""


def any_file(entry: Entry) -> bool:
    """Take every entry for one whose content will be asked for."""
    return entry.type is EntryType.FILE


class PrefetchCache:
    """Fetched contents. Several threads may open them while one draws entries.

    Attributes:
        peak: most bytes in the cache at one time, not counting a content that was fetched alone.
        fetched: how many contents were fetched, twice counting twice.
    """

    def __init__(self, folder: Path, fetch: FetchContents, *, limit: int = LIMIT) -> None:
        self._folder, self._fetch, self._limit = folder, fetch, limit
        self._here: OrderedDict[bytes, int] = OrderedDict()
        self._changing = threading.Lock()
        # A writer's threads open contents while it reads further entries.
        self._lock = RLock()
        self.peak = self.fetched = self._held = 0

    def open(self, digest: bytes) -> int:
        """Open a content, which the caller closes; it is fetched if it is not here.

        Raises:
            LinkError: it cannot be fetched.
        """
        with self._lock:
            return self._open(digest)

    def _open(self, digest: bytes) -> int:
        with self._changing:
            if digest in self._here:
                return _open(self._folder / digest.hex())
        with TemporaryDirectory(prefix="alone-", dir=self._folder) as alone:
            self._bring([digest], Path(alone))
            return _open(Path(alone) / digest.hex())

    def prefetch(
        self, entries: Iterable[Entry], wanted: Callable[[Entry], bool] = any_file
    ) -> Iterator[Entry]:
        """Pass entries on, with the contents of the next ones always fetched.

        Args:
            entries: in the order in which their contents will be asked for.
            wanted: which of them will be.
        """
        # Half of the room, so that what was passed on just before is still here: a writer may
        # take a whole directory before it asks for the first content.
        room = self._limit // 2
        batch: list[Entry] = []
        contents: dict[bytes, int] = {}
        links: set[int] = set()
        size = 0
        for entry in entries:
            # Return whether an entry's content is not yet among those of its batch, or its other
            # names.
            is_new = (
                bool(entry.digest) and entry.digest not in contents and entry.link not in links
            )
            if is_new and wanted(entry):
                length = _stored_size(entry)
                if contents and (size + length > room or len(contents) >= BATCH):
                    yield from self._handed_on(batch, contents)
                    batch, contents, size = [], {}, 0
                contents[entry.digest] = length
                size += length
                if entry.link:
                    links.add(entry.link)
            batch.append(entry)
        yield from self._handed_on(batch, contents)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Pass parts of a file on, with the contents of the next ones always fetched."""
        room = self._limit // 2
        batch: list[Part] = []
        contents: dict[bytes, int] = {}
        size = 0
        for part in parts:
            if contents and (size + part.length > room or len(contents) >= BATCH):
                yield from self._handed_on(batch, contents)
                batch, contents, size = [], {}, 0
            if part.digest:
                contents[part.digest] = part.length
                size += part.length
            batch.append(part)
        yield from self._handed_on(batch, contents)

    def _handed_on(self, batch: list[T], contents: dict[bytes, int]) -> Iterator[T]:
        with self._lock:
            self._prepare(contents)
        yield from batch

    def _prepare(self, contents: dict[bytes, int]) -> None:
        with self._changing:
            for digest in contents.keys() & self._here.keys():
                self._here.move_to_end(digest)
        missing = {digest: size for digest, size in contents.items() if digest not in self._here}
        if not missing:
            return
        with self._changing:
            self._make_room(sum(missing.values()), keep=contents)
        self._bring(list(missing), self._folder)
        with self._changing:
            self._here |= missing
            self._held += sum(missing.values())
        self.peak = max(self.peak, self._held)

    def _make_room(self, size: int, *, keep: dict[bytes, int]) -> None:
        for digest in list(self._here):
            if self._held + size <= self._limit:
                return
            if digest not in keep:
                self._held -= self._here.pop(digest)
                (self._folder / digest.hex()).unlink()

    def _bring(self, digests: Sequence[bytes], folder: Path) -> None:
        self._fetch([Digest(digest.hex()) for digest in digests], folder)
        self.fetched += len(digests)


def _stored_size(entry: Entry) -> int:
    """Return the bytes that are fetched beforehand: of a large file only its list of pieces."""
    if pieces.is_pieced(entry.size):
        return pieces.content_limit(entry.size, pieces.PIECE)
    return entry.size


def _open(path: Path) -> int:
    try:
        # What the other end sent may be anything under that name; a link is not followed.
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        raise LinkError(
            f"the keeper did not send content {path.name}: {error.strerror}",
            hint="run `holdstill verify` at the keeper",
        ) from error
