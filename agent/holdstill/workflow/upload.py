"""Hashes new files, asks the keeper which contents it lacks, and sends those."""

from __future__ import annotations

import errno
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeVar

from holdstill.errors import VerificationError
from holdstill.model import pieces
from holdstill.model.entries import Omitted
from holdstill.model.paths import display
from holdstill.model.protocol import BATCH, Ingested, WantedContent
from holdstill.system import files
from holdstill.transport.rsync import TransferMode
from holdstill.workflow import show_possession
from holdstill.workflow.attachments import PiecedFile, pieces_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Future
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import PieceList
    from holdstill.model.protocol import Lacking, RunStarted
    from holdstill.records.index_queries import Index
    from holdstill.workflow.ports import BulkTransfer, ContentReader, Keeper, Progress
    from holdstill.workflow.upload_pieces import PieceUploader

T = TypeVar("T")

BATCH_FILES = 2000
BATCH_BYTES = 256 << 20
"""A batch is hashed and recorded as a whole: what an interrupted run loses."""
BASIS_FROM = 1 << 20
"""Files of at least this size are sent as a difference to their older content."""

_NOTHING = Ingested(kept=0, new_bytes=0)


@dataclass(frozen=True)
class _HashedFile:
    entry: Entry
    digest: bytes
    path: Path
    older: bytes


@dataclass(frozen=True)
class _HeldFile:
    path: Path
    size: int

    def keyed(self, nonce: bytes) -> bytes | None:
        """Return HMAC-SHA256 of its bytes; None if it is gone, shorter or cannot be read."""
        try:
            # Not blocking: a pipe may be in its place by now.
            flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK
            with files.opened(self.path, flags) as handle:
                return files.keyed_digest(handle, self.size, nonce)
        except (OSError, EOFError):
            return None


class KnownLists(Protocol):
    """The lists of pieces that the board remembers."""

    def list_of(self, digest: bytes) -> PieceList | None:
        """Return a list by its digest; None if it is not known."""

    def save_list(self, listed: PieceList) -> None:
        """Remember a list that was sent."""


class Uploader:
    """Takes pending files of an index to the keeper."""

    def __init__(
        self,
        *,
        keeper: Keeper,
        transfer: BulkTransfer,
        run: RunStarted,
        progress: Progress,
        pieces_up: PieceUploader,
        lists: KnownLists,
    ) -> None:
        self._keeper = keeper
        self._transfer = transfer
        self._run = run
        self._progress = progress
        self._pieces, self._lists = pieces_up, lists
        self.stats = pieces_up.stats

    def upload_pending(self, index: Index, place: ContentReader) -> None:
        """Hash and send every pending file of a part.

        Files that change meanwhile stay pending. Hashing one batch overlaps sending the last.
        """
        _, total = index.pending_totals(place.part)
        start = self.stats.hashed_bytes
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="send") as sender:
            waiting: Future[Ingested] | None = None
            batch: list[_HashedFile] = []
            for hashed in self._hashed(index, place):
                self._progress.update(self.stats.hashed_bytes - start, total)
                self._settle(index, place, waiting, batch)
                for item in hashed:
                    index.set_digest(place.part, item.entry, item.digest, seq=self._run.seq)
                index.commit()
                batch, waiting = hashed, sender.submit(self._deliver, hashed)
            self._settle(index, place, waiting, batch)
        index.commit()
        self._upload_large(index, place)

    def upload_pieced(self, file: PiecedFile, *, known: frozenset[bytes]) -> None:
        """Send what the keeper lacks of something that a manifest names, and that stands still.

        Raises:
            VerificationError: it did not arrive as it was sent.
        """
        # Compressed: the rows of an index have much in common.
        if self._pieces.upload(file, known=known, shape=TransferMode.SPARSE):
            raise VerificationError(
                f"{file.name} did not arrive as it was sent",
                hint="nothing was sealed; run the capture again",
            )

    def _upload_large(self, index: Index, place: ContentReader) -> None:
        """Send the pieces that changed of every pending file that is stored in pieces."""
        after, inodes = (b"", b""), set[int]()
        while entries := index.pending(place.part, after=after, limit=BATCH_FILES):
            after = (entries[-1].directory, entries[-1].name)
            for entry in entries:
                if pieces.is_pieced(entry.size) and entry.seen.inode not in inodes:
                    inodes.add(entry.seen.inode)
                    self._upload_pieces(index, place, entry)
        index.commit()

    def _upload_pieces(self, index: Index, place: ContentReader, entry: Entry) -> None:
        listed = self._read(index, place, entry, _pieces_of)
        if listed is None:
            return
        self.stats.hashed_files += 1
        self.stats.hashed_bytes += entry.size
        before = self._lists.list_of(place.older(entry))
        known = frozenset(digest for digest, _ in before.pieces()) if before else frozenset()
        file = PiecedFile(display(entry.path), place.path(entry), listed)
        if not self._pieces.upload(file, known=known):  # else it changed: it stays pending
            self._lists.save_list(listed)
            index.set_digest(place.part, entry, listed.digest(), seq=self._run.seq)

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

    def _hashed(self, index: Index, place: ContentReader) -> Iterator[list[_HashedFile]]:
        """Yield batches of hashed files."""
        after = (b"", b"")
        while entries := index.pending(place.part, after=after, limit=BATCH_FILES):
            batch, inodes, size = [], set(), 0
            for entry in entries:
                after = (entry.directory, entry.name)
                if (entry.link and entry.seen.inode in inodes) or pieces.is_pieced(entry.size):
                    continue
                inodes.add(entry.seen.inode)
                hashed = self._hash(index, place, entry)
                if hashed is not None:
                    batch.append(hashed)
                    size += entry.size
                if size >= BATCH_BYTES:
                    break
            yield batch

    def _hash(self, index: Index, place: ContentReader, entry: Entry) -> _HashedFile | None:
        """Hash one file; None when it changed meanwhile, is gone, or cannot be read."""
        digest = self._read(index, place, entry, _digest_of)
        if digest is None:
            return None
        self.stats.hashed_files += 1
        self.stats.hashed_bytes += entry.size
        older = place.older(entry) if entry.size >= BASIS_FROM else b""
        return _HashedFile(entry, digest, place.path(entry), older)

    def _read(
        self,
        index: Index,
        place: ContentReader,
        entry: Entry,
        how: Callable[[ContentReader, Entry], T | None],
    ) -> T | None:
        """Read one file; None when it changed meanwhile, is gone, or cannot be read."""
        for _ in range(2):  # a read error is tried once more
            try:
                return how(place, entry)
            except OSError as error:
                if error.errno != errno.EIO:
                    return None  # it changed while it was read: it stays pending
        self.stats.unreadable.append((place.part, entry.path))
        index.put(place.part, entry._replace(omitted=Omitted.UNREADABLE), seq=self._run.seq)
        self._progress.warn(
            f"cannot read {display(entry.path)} (part {place.part}): input/output error"
        )
        return None

    def _deliver(self, batch: list[_HashedFile]) -> Ingested:
        """Find missing contents, send and ingest them; runs in the sending thread."""
        wanted = {
            item.digest.hex(): WantedContent(
                digest=item.digest.hex(), size=item.entry.size, basis=item.older.hex()
            )
            for item in batch
        }
        if not wanted:
            return _NOTHING
        held = {i.digest.hex(): _HeldFile(i.path, i.entry.size) for i in batch}
        answer = self._keeper.lacking([*wanted.values()])
        lacking = frozenset(
            show_possession.to_send(self._keeper, answer, lambda d, nonce: held[d].keyed(nonce))
        )
        items = {item.digest.hex(): item for item in batch if item.digest.hex() in lacking}
        for shape in (TransferMode.PLAIN, TransferMode.SPARSE):
            paths = {
                text: item.path
                for text, item in items.items()
                if bool(item.entry.sparse) is (shape is TransferMode.SPARSE)
            }
            self._carry(paths, shape)
        return self._keeper.ingest([*items]) if items else _NOTHING

    def _carry(self, paths: dict[str, Path], shape: TransferMode) -> None:
        if paths:
            sent = self._transfer.send(paths, self._run.contents, shape=shape)
            self.stats.wire_bytes += sent.wire_bytes

    def _settle(
        self,
        index: Index,
        place: ContentReader,
        waiting: Future[Ingested] | None,
        batch: list[_HashedFile],
    ) -> None:
        """Wait for a batch; what the keeper found wrong is pending again."""
        if waiting is None:
            return
        banked = waiting.result()
        self.stats.new_bytes += banked.new_bytes
        bad = frozenset(banked.bad)
        for item in batch:
            if item.digest.hex() in bad:
                index.set_digest(place.part, item.entry, b"", seq=self._run.seq)

    def resend(self, index: Index, places: Mapping[int, ContentReader], wanted: Lacking) -> None:
        """Send, or prove to have, contents that the keeper found lacking when it sealed.

        Raises:
            VerificationError: the board no longer has one of them.
        """
        for part, place in places.items():
            for entry in index.large(part, pieces.PIECED_FROM):
                listed = self._lists.list_of(entry.digest)
                if listed is not None:
                    self._pieces.add(PiecedFile(display(entry.path), place.path(entry), listed))
        held = _held(index, places, wanted.prove)

        def keyed(digest: str, nonce: bytes) -> bytes | None:
            file = held.get(digest)
            return file.keyed(nonce) if file else self._pieces.keyed(digest, nonce)

        lacking = self._pieces.resend(show_possession.to_send(self._keeper, wanted, keyed))
        paths = _paths(index, places, lacking)
        self._carry(paths, TransferMode.PLAIN)
        banked = self._keeper.ingest([*paths])
        self.stats.new_bytes += banked.new_bytes
        if banked.bad:
            raise VerificationError(
                f"{len(banked.bad)} contents that the keeper lacks changed on the board meanwhile",
                hint="nothing was sealed; run the capture again",
            )


def _paths(
    index: Index, places: Mapping[int, ContentReader], lacking: Sequence[str]
) -> dict[str, Path]:
    """Return a file of the board for each content that the keeper lacks.

    Raises:
        VerificationError: no file has one of them.
    """
    held = _held(index, places, lacking)
    if none := [text for text in lacking if text not in held]:
        raise VerificationError(
            f"the keeper lacks {none[0]}, and no file of the board has it",
            hint="nothing was sealed; run the capture again",
        )
    return {text: file.path for text, file in held.items()}


def _held(
    index: Index, places: Mapping[int, ContentReader], digests: Sequence[str]
) -> dict[str, _HeldFile]:
    """Return a file of the board for each content that is one file's."""
    holders = index.all_holders(map(bytes.fromhex, digests))
    found = {text: _file(index, places, holders.get(bytes.fromhex(text), ())) for text in digests}
    return {text: file for text, file in found.items() if file is not None}


def _file(
    index: Index, places: Mapping[int, ContentReader], holders: Iterable[tuple[int, bytes]]
) -> _HeldFile | None:
    for part, path in holders:
        entry = index.get(part, path)
        if entry is not None and part in places and not pieces.is_pieced(entry.size):
            return _HeldFile(places[part].path(entry), entry.size)
    return None


def _digest_of(place: ContentReader, entry: Entry) -> bytes | None:
    """Hash one file; None when it differs from its index entry, before or after."""
    return _unchanged(place, entry, lambda handle: files.content_digest(handle, entry.size))


def _pieces_of(place: ContentReader, entry: Entry) -> PieceList | None:
    """List the pieces of one file; None when it differs from its index entry, before or after."""
    return _unchanged(place, entry, lambda handle: pieces_of(handle, entry.size))


def _unchanged(place: ContentReader, entry: Entry, read: Callable[[int], T]) -> T | None:
    handle = place.open(entry)
    try:
        if not place.is_same(entry, handle):
            return None
        found = read(handle)
        return found if place.is_same(entry, handle) else None
    except EOFError:
        return None
    finally:
        os.close(handle)
