"""Hashes new files, asks the keeper which contents it lacks, and sends those."""

from __future__ import annotations

import errno
import os
from collections import deque
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol, TypeVar

from holdstill.board import full_scan
from holdstill.errors import VerificationError
from holdstill.model import pieces
from holdstill.model.entries import Omitted
from holdstill.model.paths import display
from holdstill.model.protocol import BATCH, WantedContent
from holdstill.system import files
from holdstill.system.read_ahead import opened_ahead
from holdstill.transport.rsync import TransferMode
from holdstill.workflow.attachments import PiecedFile, pieces_of
from holdstill.workflow.delivery import AHEAD
from holdstill.workflow.upload_pieces import PiecesToSend

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Future
    from pathlib import Path

    from holdstill.board.full_scan import Entered
    from holdstill.model.entries import Entry
    from holdstill.model.pieces import PieceList
    from holdstill.model.protocol import Ingested, Lacking, RunStarted
    from holdstill.records.index_queries import Index
    from holdstill.workflow.delivery import Deliveries, Delivery, TransferStats
    from holdstill.workflow.line_meter import LineMeter
    from holdstill.workflow.ports import ContentReader, Keeper, StepProgress
    from holdstill.workflow.upload_pieces import PieceUploader

T = TypeVar("T")
FIRST_FILES, BATCH_FILES = 1000, 2000
"""A batch is hashed and recorded as a whole: what an interrupted run loses. The first one is
small, so that the link has something to do soon; each next one may have twice as many files, and
none more than suits the line."""
BASIS_FROM = 1 << 20
"""Files of at least this size are sent as a difference to their older content."""


@dataclass(frozen=True, slots=True)
class HashedFile:
    """A file that was hashed.

    Attributes:
        place: where its bytes can be read.
        older: digest of an older content at the same path, b"" for none.
    """

    entry: Entry
    digest: bytes
    place: ContentReader
    older: bytes = b""

    @property
    def path(self) -> Path:
        """A path at which its bytes can be read."""
        return self.place.path(self.entry)

    def keyed(self, nonce: bytes) -> bytes | None:
        """Return HMAC-SHA256 of its bytes; None if it is gone, shorter or cannot be read."""
        try:
            # Not blocking: a pipe may be in its place by now.
            flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK
            with files.opened(self.path, flags) as handle:
                return files.keyed_digest(handle, self.entry.size, nonce)
        except (OSError, EOFError):
            return None


class FileBatch:
    """Files that were hashed; see `delivery.Batch`.

    Args:
        hashed: the files.
        under_way: batches before it, whose contents need not be asked about or sent once more.

    Attributes:
        files: all of them.
        by_digest: one for each content that the keeper is asked about.
    """

    def __init__(
        self, hashed: Sequence[HashedFile], *, under_way: Sequence[FileBatch] = ()
    ) -> None:
        self.files = hashed
        found = {file.digest.hex(): file for file in hashed}
        for batch in under_way:
            for digest in found.keys() & batch.by_digest.keys():
                del found[digest]
        self.by_digest: dict[str, HashedFile] = found

    @property
    def wanted(self) -> Sequence[WantedContent]:
        """What the keeper is asked about."""
        return [
            WantedContent(digest=digest, size=file.entry.size, basis=file.older.hex())
            for digest, file in self.by_digest.items()
        ]

    def keyed(self, digest: str, nonce: bytes) -> bytes | None:
        """Return HMAC-SHA256 of a content; None if it cannot be read."""
        return self.by_digest[digest].keyed(nonce)

    @contextmanager
    def laid_out(
        self, digests: Collection[str]
    ) -> Iterator[Mapping[TransferMode, Mapping[str, Path]]]:
        """Return where these contents are; files with holes are sent in their own way."""
        ways: dict[TransferMode, dict[str, Path]] = {mode: {} for mode in TransferMode}
        for digest in digests:
            file = self.by_digest[digest]
            mode = TransferMode.SPARSE if file.entry.sparse else TransferMode.PLAIN
            ways[mode][digest] = file.path
        yield ways


class _UnderWay(NamedTuple):
    """A batch of a part's files, and what becomes of it."""

    part: int
    batch: FileBatch
    delivered: Future[Ingested]


class KnownLists(Protocol):
    """The lists of pieces that the board remembers."""

    def list_of(self, digest: bytes) -> PieceList | None:
        """Return a list by its digest; None if it is not known."""

    def save_list(self, listed: PieceList) -> None:
        """Remember a list that was sent."""


class Uploader:
    """Takes pending files of an index to the keeper.

    Args:
        keeper, deliveries: the way there.
        run: the run that it is for.
        progress: is told what was done.
        pieces_up: takes large files there.
        lists: that the board remembers.
        stats: counts what is done.
        meter: tells how large a batch suits the line.
        first: files of the first batch.
    """

    def __init__(
        self,
        *,
        keeper: Keeper,
        deliveries: Deliveries,
        run: RunStarted,
        progress: StepProgress,
        pieces_up: PieceUploader,
        lists: KnownLists,
        stats: TransferStats,
        meter: LineMeter,
        first: int = FIRST_FILES,
    ) -> None:
        self._keeper, self._deliveries = keeper, deliveries
        self._run = run
        self._progress = progress
        self._pieces, self._lists = pieces_up, lists
        self.stats, self._meter, self._first = stats, meter, first
        self._waiting: deque[_UnderWay] = deque()

    @contextmanager
    def flowing(self, index: Index) -> Iterator[None]:
        """Let all that is sent in the block follow each other, without a gap."""
        with self._deliveries.kept():
            yield
            self._settle_all(index)

    def upload_pending(
        self,
        index: Index,
        place: ContentReader,
        *,
        skipped: Callable[[Entry], bool] = lambda _: False,
    ) -> None:
        """Hash and send every pending file of a part.

        Files that change meanwhile stay pending. Hashing a batch overlaps what happens to those
        before it.

        Args:
            index: has them.
            place: where their contents are.
            skipped: tells of a large file that it is not to be sent here.
        """
        _, total = index.pending_totals(place.part)
        start = self.stats.hashed_bytes
        with self._deliveries.opened() as delivery:
            for hashed in self._hashed(index, place):
                self._progress.update(self.stats.hashed_bytes - start, total)
                if len(self._waiting) >= AHEAD:
                    self._settle(index)
                self._put(index, place, delivery, hashed)
                index.commit()
            self._upload_large(index, place, delivery, skipped)
            self._settle_all(index)

    @contextmanager
    def alongside(self, index: Index, place: ContentReader) -> Iterator[Entered]:
        """Hash and send files while a scan finds more of them; what is left stays pending.

        Within `flowing`. Yields what is to be told of them. It waits for nobody: while all is
        busy that sends, the scan goes on, and so much is left; so are files with several names, of
        which the scan may find one after the other. What is recorded becomes final with the scan:
        after a cut it is hashed again, and not sent again. What is under way at the end is settled
        later.
        """
        found: list[Entry] = []
        limit = self._first

        def go_on(entries: Sequence[Entry]) -> None:
            nonlocal found, limit
            while self._waiting and self._waiting[0].delivered.done():
                self._settle(index)
            if len(found) < limit:
                found += filter(_is_alone, entries)
            is_idle = len(self._waiting) < AHEAD
            if is_idle and len(found) >= min(limit, self._meter.batch_files):
                hashed, found = self._hash_all(index, place, found)
                limit = min(2 * limit, BATCH_FILES)
                self._put(index, place, delivery, hashed)

        with self._deliveries.opened() as delivery:
            yield go_on

    def _put(
        self, index: Index, place: ContentReader, delivery: Delivery, hashed: Sequence[HashedFile]
    ) -> None:
        """Begin to deliver a batch."""
        found = [(item.entry, item.digest) for item in hashed]
        index.set_digests(place.part, found, seq=self._run.seq)
        batch = FileBatch(hashed, under_way=[earlier.batch for earlier in self._waiting])
        self._waiting.append(_UnderWay(place.part, batch, delivery.put(batch)))

    def upload_pieced(self, file: PiecedFile, *, known: frozenset[bytes]) -> None:
        """Send what the keeper lacks of something that a manifest names, and that stands still.

        Raises:
            VerificationError: it did not arrive as it was sent.
        """
        if self._pieces.attach(file, known=known):
            raise VerificationError(
                f"{file.name} did not arrive as it was sent",
                hint="nothing was sealed; run the capture again",
            )

    def _upload_large(
        self,
        index: Index,
        place: ContentReader,
        delivery: Delivery,
        skipped: Callable[[Entry], bool],
    ) -> None:
        """Send the pieces that changed of every pending file that is stored in pieces."""
        waiting: deque[tuple[Entry, PieceList]] = deque()

        def read() -> Iterator[PiecesToSend]:
            for entry in pending_large(index, place.part):
                if skipped(entry):
                    continue
                listed = self._read(index, place, entry, _pieces_of)
                if listed is not None:
                    self.stats.hashed_files += 1
                    self.stats.hashed_bytes += entry.size
                    waiting.append((entry, listed))
                    yield self._to_send(place, entry, listed)

        for changed in self._pieces.upload(read(), delivery):
            entry, listed = waiting.popleft()
            if not changed:  # else it stays pending
                self._lists.save_list(listed)
                index.set_digest(place.part, entry, listed.digest(), seq=self._run.seq)
                index.commit()

    def _to_send(self, place: ContentReader, entry: Entry, listed: PieceList) -> PiecesToSend:
        known = known_pieces(self._lists, place, entry)
        return PiecesToSend(PiecedFile(display(entry.path), place.path(entry), listed), known)

    def requeue_missing(self, index: Index, *, since: int) -> None:
        """Make pending what interrupted runs have hashed but the keeper never took in.

        What it has, but from others only, is read again and proven then.
        """
        batch: list[WantedContent] = []
        forgotten: list[str] = []
        for digest, size in index.digests(since=since):
            batch.append(WantedContent(digest=digest.hex(), size=size))
            if len(batch) == BATCH:
                forgotten += self._not_ours(batch)
                batch = []
        forgotten += self._not_ours(batch) if batch else ()
        if forgotten:
            index.forget(map(bytes.fromhex, forgotten))
        index.commit()

    def _not_ours(self, batch: Sequence[WantedContent]) -> tuple[str, ...]:
        lacking = self._keeper.lacking(batch)
        return (*lacking.send, *lacking.prove)

    def _hashed(self, index: Index, place: ContentReader) -> Iterator[list[HashedFile]]:
        """Yield batches of hashed files."""
        after, limit = (b"", b""), self._first
        while entries := index.pending(
            place.part, after=after, limit=min(limit, self._meter.batch_files)
        ):
            limit = min(2 * limit, BATCH_FILES)
            batch, rest = self._hash_all(index, place, entries)
            last = entries[-len(rest) - 1]
            after = (last.directory, last.name)
            yield batch

    def _hash_all(
        self, index: Index, place: ContentReader, entries: Sequence[Entry]
    ) -> tuple[list[HashedFile], list[Entry]]:
        """Hash files until they are a batch; return it, and those behind it."""
        batch, size = [], 0
        with closing(opened_ahead(_small(entries), place.open, _size_of)) as opened:
            for entry, file in opened:
                hashed = self._hash(index, place, entry, file)
                if hashed is not None:
                    batch.append(hashed)
                    size += entry.size
                if size >= self._meter.batch_bytes:
                    return batch, list(entries[entries.index(entry) + 1 :])
        return batch, []

    def _hash(
        self, index: Index, place: ContentReader, entry: Entry, file: int | OSError
    ) -> HashedFile | None:
        """Hash one file; None when it changed meanwhile, is gone, or cannot be read."""
        digest = self._read(index, place, entry, _digest_of, file)
        if digest is None:
            return None
        self.stats.hashed_files += 1
        self.stats.hashed_bytes += entry.size
        older = place.older(entry) if entry.size >= BASIS_FROM else b""
        return HashedFile(entry, digest, place, older)

    def _read(
        self,
        index: Index,
        place: ContentReader,
        entry: Entry,
        how: Callable[[Entry, int], T],
        file: int | OSError | None = None,
    ) -> T | None:
        """Read one file; None when it changed meanwhile, is gone, or cannot be read.

        file: what it was opened as before, or why it could not be.
        """
        for known in (file, None):  # a read error is tried once more
            try:
                if isinstance(known, int):
                    return _unchanged(place, entry, how, known)
                with _opened(place, entry) as handle:
                    return _unchanged(place, entry, how, handle)
            except OSError as error:
                if error.errno != errno.EIO:
                    return None  # it changed while it was read: it stays pending
        self.stats.unreadable.append((place.part, entry.path))
        index.put(place.part, entry._replace(omitted=Omitted.UNREADABLE), seq=self._run.seq)
        self._progress.warn(
            f"cannot read {display(entry.path)} (part {place.part}): input/output error"
        )
        return None

    def _settle_all(self, index: Index) -> None:
        """Wait for all batches."""
        while self._waiting:
            self._settle(index)
        index.commit()

    def _settle(self, index: Index) -> None:
        """Wait for the first batch; what the keeper found wrong is pending again.

        So it is in the batches behind it, which counted on this one.
        """
        first = self._waiting.popleft()
        banked = first.delivered.result()
        self.stats.new_bytes += banked.new_bytes
        if not banked.bad:
            return
        bad = frozenset(banked.bad)
        for part, batch, _ in (first, *self._waiting):
            for item in batch.files:
                if item.digest.hex() in bad:
                    index.set_digest(part, item.entry, b"", seq=self._run.seq)

    def resend(self, index: Index, places: Mapping[int, ContentReader], wanted: Lacking) -> None:
        """Send, or prove to have, contents that the keeper found lacking when it sealed.

        Raises:
            VerificationError: the board no longer has one of them.
        """
        digests = (*wanted.send, *wanted.prove)
        rest = self._pieces.resend(self._large(index, places), digests)
        if not rest:
            return
        with self._deliveries.opened() as delivery:
            banked = delivery.put(FileBatch(_held(index, places, rest))).result()
        self.stats.new_bytes += banked.new_bytes
        if banked.bad:
            raise VerificationError(
                f"{len(banked.bad)} contents that the keeper lacks changed on the board meanwhile",
                hint="nothing was sealed; run the capture again",
            )

    def _large(self, index: Index, places: Mapping[int, ContentReader]) -> Iterator[PiecedFile]:
        for part, place in places.items():
            for entry in index.large(part, pieces.PIECED_FROM):
                listed = self._lists.list_of(entry.digest)
                if listed is not None:
                    yield PiecedFile(display(entry.path), place.path(entry), listed)


def known_pieces(lists: KnownLists, place: ContentReader, entry: Entry) -> frozenset[bytes]:
    """Return the pieces of an older content at the same path: the keeper has them."""
    before = lists.list_of(place.older(entry))
    return frozenset(digest for digest, _ in before.pieces()) if before else frozenset()


def pending_large(index: Index, part: int) -> Iterator[Entry]:
    """Yield every pending file that is stored in pieces, by one of its names."""
    after, inodes = (b"", b""), set[int]()
    while entries := index.pending(part, after=after, limit=BATCH_FILES, least=pieces.PIECED_FROM):
        after = (entries[-1].directory, entries[-1].name)
        for entry in entries:
            if entry.seen.inode not in inodes:
                inodes.add(entry.seen.inode)
                yield entry


def _held(
    index: Index, places: Mapping[int, ContentReader], digests: Sequence[str]
) -> list[HashedFile]:
    """Return a file of the board for each content that the keeper lacks.

    Raises:
        VerificationError: no file has one of them.
    """
    holders = index.all_holders(map(bytes.fromhex, digests))
    found = {text: _file(index, places, holders.get(bytes.fromhex(text), ())) for text in digests}
    if none := [text for text, file in found.items() if file is None]:
        raise VerificationError(
            f"the keeper lacks {none[0]}, and no file of the board has it",
            hint="nothing was sealed; run the capture again",
        )
    return [file for file in found.values() if file is not None]


def _file(
    index: Index, places: Mapping[int, ContentReader], holders: Iterable[tuple[int, bytes]]
) -> HashedFile | None:
    for part, path in holders:
        entry = index.get(part, path)
        if entry is not None and part in places and not pieces.is_pieced(entry.size):
            return HashedFile(entry, entry.digest, places[part])
    return None


def _is_alone(entry: Entry) -> bool:
    """Whether a file's content is wanted, and known by one name only."""
    return not entry.link and full_scan.is_pending(entry)


def _small(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Yield those that are sent whole, each inode once."""
    inodes = set[int]()
    for entry in entries:
        if not ((entry.link and entry.seen.inode in inodes) or pieces.is_pieced(entry.size)):
            inodes.add(entry.seen.inode)
            yield entry


def _size_of(entry: Entry) -> int:
    return entry.size


def _digest_of(entry: Entry, handle: int) -> bytes:
    return files.content_digest(handle, entry.size)


def _pieces_of(entry: Entry, handle: int) -> PieceList:
    return pieces_of(handle, entry.size)


@contextmanager
def _opened(place: ContentReader, entry: Entry) -> Iterator[int]:
    handle = place.open(entry)
    try:
        yield handle
    finally:
        os.close(handle)


def _unchanged(
    place: ContentReader, entry: Entry, read: Callable[[Entry, int], T], handle: int
) -> T | None:
    """Read one file; None when it differs from its index entry, before or after."""
    # One that has begun has set the times that the entry has, and what it writes may be to come.
    files.wait_for_writers(handle)
    try:
        if not place.is_same(entry, handle):
            return None
        found = read(entry, handle)
        return found if place.is_same(entry, handle) else None
    except EOFError:
        return None
