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

from holdstill.errors import VerificationError
from holdstill.model.protocol import WantedContent
from holdstill.system import files
from holdstill.transport.rsync import TransferMode
from holdstill.workflow.delivery import AHEAD

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Future

    from holdstill.model.protocol import Ingested
    from holdstill.workflow.attachments import PiecedFile
    from holdstill.workflow.delivery import Delivery, TransferStats

BATCH_BYTES = 32 << 20
"""Bytes of pieces that are in memory at a time: rsync sends files, and a piece is none."""


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


class PieceUploader:
    """Takes pieces to the keeper.

    Args:
        delivery: makes a way to the keeper.
        memory: a folder on a tmpfs.
        stats: counts what became new there.
    """

    def __init__(
        self, *, delivery: Callable[[], Delivery], memory: Path, stats: TransferStats
    ) -> None:
        self._delivery, self._memory, self._stats = delivery, memory, stats
        self._attached: list[PiecedFile] = []

    def attach(self, file: PiecedFile, *, known: frozenset[bytes]) -> frozenset[str]:
        """Send something that the manifest names, as `upload`; its pieces can be sent again."""
        self._attached.append(file)
        # Compressed: the rows of an index have much in common.
        return self.upload(file, known=known, shape=TransferMode.SPARSE)

    def upload(
        self,
        file: PiecedFile,
        *,
        known: frozenset[bytes],
        shape: TransferMode = TransferMode.PLAIN,
    ) -> frozenset[str]:
        """Send what the keeper lacks of a file and its list; return what changed meanwhile.

        Args:
            file: its pieces were read before.
            known: pieces that the keeper has, as far as anybody knows, and is not asked about.
            shape: how they are sent.
        """
        asked = ((d, place) for d, place in _places(file) if bytes.fromhex(d) not in known)
        return self._deliver(asked, shape)

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
        if self._deliver(found.items(), TransferMode.PLAIN):
            raise VerificationError(
                "pieces that the keeper lacks changed on the board meanwhile",
                hint="nothing was sealed; run the capture again",
            )
        return tuple(digest for digest in digests if digest not in found)

    def _deliver(
        self, places: Iterable[tuple[str, _Place]], shape: TransferMode
    ) -> frozenset[str]:
        """Deliver contents in batches; return those that were not as named."""
        bad: set[str] = set()
        waiting: deque[Future[Ingested]] = deque()

        def settle() -> None:
            banked = waiting.popleft().result()
            self._stats.new_bytes += banked.new_bytes
            bad.update(banked.bad)

        with self._delivery() as delivery:
            for batch in _batches(places):
                if len(waiting) >= AHEAD:
                    settle()
                waiting.append(delivery.put(PieceBatch(batch, shape, self._memory)))
            while waiting:
                settle()
        return frozenset(bad)


def _places(file: PiecedFile) -> Iterator[tuple[str, _Place]]:
    """Yield where the list of a file and its pieces are, by their digests."""
    listed = file.listed.encode()
    yield file.listed.digest().hex(), _Place(file.path, 0, len(listed), listed)
    for part in file.listed.parts():
        if part.digest:
            yield part.digest.hex(), _Place(file.path, part.offset, part.length)


def _batches(places: Iterable[tuple[str, _Place]]) -> Iterator[dict[str, _Place]]:
    batch: dict[str, _Place] = {}
    size = 0
    for digest, place in places:
        batch[digest] = place
        size += place.length
        if size >= BATCH_BYTES:
            yield batch
            batch, size = {}, 0
    if batch:
        yield batch
