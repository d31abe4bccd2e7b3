"""Sends the pieces of files that changed in part, and their lists."""

from __future__ import annotations

import hmac
import os
from collections import deque
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, NamedTuple

from holdstill.board import spool
from holdstill.errors import VerificationError
from holdstill.model.protocol import WantedContent
from holdstill.system import files
from holdstill.transport.rsync import TransferMode
from holdstill.workflow.delivery import AHEAD

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Future

    from holdstill.board.followed_file import Piece
    from holdstill.model.protocol import Ingested
    from holdstill.workflow.attachments import PiecedFile
    from holdstill.workflow.delivery import Deliveries, Delivery, TransferStats
    from holdstill.workflow.line_meter import LineMeter

BATCH_LEAST, BATCH_MOST = 16 << 20, 128 << 20
"""Bytes of pieces that are in memory at a time: rsync sends files, and a piece is none. Each batch
costs a third of a second beside its bytes (measured), be it large or small."""
SHARE = 1 / 16
"""Of the memory that is free, for a batch."""
READ_LEAST, READ_MOST, READ_SHARE = 4 << 20, 32 << 20, 1 / 64
"""The same of pieces that were read already: several batches of them are in memory at a time."""


class _Place(NamedTuple):
    """Where the bytes of a content are: a part of a file, or here."""

    path: Path
    offset: int
    length: int
    data: bytes = b""

    def read(self) -> bytes:
        if self.data:
            return self.data
        # Not blocking: a pipe may be in its place by now.
        with files.opened(self.path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK) as handle:
            return os.pread(handle, self.length, self.offset)


@dataclass(frozen=True)
class PieceBatch:
    """Pieces and lists, by their digests; see `delivery.Batch`.

    Attributes:
        memory: a folder on a tmpfs, for those that are sent.
    """

    places: Mapping[str, _Place]
    shape: TransferMode
    memory: Path

    @property
    def wanted(self) -> Sequence[WantedContent]:
        """What the keeper is asked about."""
        return [WantedContent(digest=d, size=place.length) for d, place in self.places.items()]

    def keyed(self, digest: str, nonce: bytes) -> bytes | None:
        """Return HMAC-SHA256 of a content; None if it cannot be read."""
        try:
            return hmac.digest(nonce, self.places[digest].read(), "sha256")
        except OSError:
            return None

    @contextmanager
    def laid_out(
        self, digests: Collection[str]
    ) -> Iterator[Mapping[TransferMode, Mapping[str, Path]]]:
        """Hold files with these contents, in memory.

        What cannot be read any more is not among them: the keeper will say that it did not come.
        """
        with TemporaryDirectory(prefix="pieces-", dir=self.memory) as folder:
            paths: dict[str, Path] = {}
            for digest in digests:
                try:
                    data = self.places[digest].read()
                except OSError:
                    continue
                paths[digest] = Path(folder, digest)
                with files.opened_new(paths[digest]) as target:
                    files.write_all(target, data)
            yield {self.shape: paths}


class PiecesToSend(NamedTuple):
    """A file whose pieces were read.

    Attributes:
        known: pieces that the keeper has, as far as anybody knows, and is not asked about.
    """

    file: PiecedFile
    known: frozenset[bytes]


class PieceUploader:
    """Takes pieces to the keeper.

    Args:
        deliveries: the way to the keeper.
        memory: a folder on a tmpfs.
        stats: counts what became new there.
        meter: tells how large a batch suits the line.
        most: bytes of pieces in memory at a time, if there is as much room.
    """

    def __init__(
        self,
        *,
        deliveries: Deliveries,
        memory: Path,
        stats: TransferStats,
        meter: LineMeter,
        most: int = BATCH_MOST,
    ) -> None:
        self._deliveries, self._memory, self._stats = deliveries, memory, stats
        self._meter, self._most = meter, most
        self._attached: list[PiecedFile] = []

    def attach(self, file: PiecedFile, *, known: frozenset[bytes]) -> frozenset[str]:
        """Send something that the manifest names; its pieces can be sent again.

        Args:
            file: its pieces were read before.
            known: pieces that the keeper has, as far as anybody knows, and is not asked about.

        Returns:
            What changed meanwhile.
        """
        self._attached.append(file)
        # Compressed: the rows of an index have much in common.
        with self._deliveries.opened() as delivery:
            (changed,) = self._upload([PiecesToSend(file, known)], delivery, TransferMode.SPARSE)
        return changed

    def upload(
        self, wanted: Iterable[PiecesToSend], delivery: Delivery
    ) -> Iterator[frozenset[str]]:
        """Send what the keeper lacks of files and their lists.

        The next file is asked for while those before it are on their way.

        Returns:
            For each file, in order, what changed meanwhile: nothing, if all is at the keeper.
        """
        return self._upload(wanted, delivery, TransferMode.PLAIN)

    def upload_alone(self, item: PiecesToSend) -> frozenset[str]:
        """Send what the keeper lacks of one file and its list; return what changed meanwhile."""
        with self._deliveries.opened() as delivery:
            (changed,) = self.upload([item], delivery)
        return changed

    def upload_read(self, read: Iterable[Piece]) -> frozenset[str]:
        """Send what the keeper lacks of pieces that were just read, from memory.

        Returns:
            Those that did not arrive as they were read.
        """
        with self._deliveries.opened() as delivery:
            stream = self._stream(delivery, TransferMode.PLAIN, room=_room_for_read())
            for piece in read:
                place = _Place(Path(), piece.offset, len(piece.data), piece.data)
                stream.put(piece.digest.hex(), place)
            stream.finish()
        return frozenset(stream.bad)

    def _upload(
        self, wanted: Iterable[PiecesToSend], delivery: Delivery, shape: TransferMode
    ) -> Iterator[frozenset[str]]:
        stream = self._stream(delivery, shape)
        for item in wanted:
            for digest, place in _places(item.file):
                if bytes.fromhex(digest) not in item.known:
                    stream.put(digest, place)
            stream.end(item.file)
            yield from stream.arrived()
        stream.finish()
        yield from stream.arrived()

    def _stream(self, delivery: Delivery, shape: TransferMode, *, room: int = 0) -> _PieceStream:
        room = room or _room(self._memory, self._most)
        return _PieceStream(delivery, shape, self._memory, self._stats, self._meter, room=room)

    def resend(self, large: Iterable[PiecedFile], digests: Collection[str]) -> tuple[str, ...]:
        """Send those of these contents that belong to large files or to the manifest.

        Returns:
            The others.

        Raises:
            VerificationError: one of them changed since it was read.
        """
        wanted = frozenset(digests)
        found: dict[str, _Place] = {}
        for file in (*self._attached, *large):
            found |= {digest: place for digest, place in _places(file) if digest in wanted}
        with self._deliveries.opened() as delivery:
            stream = self._stream(delivery, TransferMode.PLAIN)
            for digest, place in found.items():
                stream.put(digest, place)
            stream.finish()
        if stream.bad:
            raise VerificationError(
                "pieces that the keeper lacks changed on the board meanwhile",
                hint="nothing was sealed; run the capture again",
            )
        return tuple(digest for digest in digests if digest not in found)


class _PieceStream:
    """Pieces of files on their way to the keeper, in batches.

    Attributes:
        room: bytes of a batch that there is memory for.
        bad: those that were not as named.
    """

    def __init__(
        self,
        delivery: Delivery,
        shape: TransferMode,
        memory: Path,
        stats: TransferStats,
        meter: LineMeter,
        *,
        room: int,
    ) -> None:
        self._delivery, self._shape = delivery, shape
        self._memory, self._stats, self._meter = memory, stats, meter
        self._batch: dict[str, _Place] = {}
        self._size = 0
        self._room = room
        self._waiting: deque[Future[Ingested]] = deque()
        self._begun = self._settled = 0
        self._ends: deque[tuple[PiecedFile, int]] = deque()
        self.bad: set[str] = set()

    def put(self, digest: str, place: _Place) -> None:
        """Take one content along."""
        self._batch[digest] = place
        self._size += place.length
        if self._size >= min(self._room, self._meter.batch_bytes):
            self._send()

    def end(self, file: PiecedFile) -> None:
        """Note that all of a file has been put; it is there when the batch with its end is."""
        self._ends.append((file, self._begun + bool(self._batch)))

    def arrived(self) -> Iterator[frozenset[str]]:
        """Yield what is bad of each file whose last batch was taken over, once."""
        while self._ends and self._ends[0][1] <= self._settled:
            file, _ = self._ends.popleft()
            named = (digest for digest, _ in _places(file)) if self.bad else ()
            yield frozenset(self.bad.intersection(named))

    def finish(self) -> None:
        """Wait until all has been taken over."""
        self._send()
        while self._waiting:
            self._settle()

    def _send(self) -> None:
        if not self._batch:
            return
        if len(self._waiting) >= AHEAD:
            self._settle()
        batch = PieceBatch(self._batch, self._shape, self._memory)
        self._waiting.append(self._delivery.put(batch))
        self._batch, self._size = {}, 0
        self._begun += 1

    def _settle(self) -> None:
        banked = self._waiting.popleft().result()
        self._stats.new_bytes += banked.new_bytes
        self.bad.update(banked.bad)
        self._settled += 1


def _room_for_read() -> int:
    return min(READ_MOST, max(READ_LEAST, int(spool.free_memory() * READ_SHARE)))


def _room(memory: Path, most: int) -> int:
    """Return the bytes of a batch that is laid out in this folder."""
    available = int(spool.free_memory() * SHARE)
    there = os.statvfs(memory)
    return min(most, max(BATCH_LEAST, min(available, there.f_bavail * there.f_frsize // 4)))


def _places(file: PiecedFile) -> Iterator[tuple[str, _Place]]:
    """Yield where the list of a file and its pieces are, by their digests."""
    listed = file.listed.encode()
    yield file.listed.digest().hex(), _Place(file.path, 0, len(listed), listed)
    for part in file.listed.parts():
        if part.digest:
            yield part.digest.hex(), _Place(file.path, file.start + part.offset, part.length)
