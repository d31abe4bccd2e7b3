"""Sends the pieces of files that changed in part, and their lists."""

from __future__ import annotations

import hmac
import os
from collections import deque
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import VerificationError
from holdstill.model.protocol import BATCH, WantedContent
from holdstill.system import files
from holdstill.transport.rsync import TransferMode
from holdstill.workflow import show_possession

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from holdstill.model.protocol import RunStarted
    from holdstill.workflow.attachments import PiecedFile
    from holdstill.workflow.ports import BulkTransfer, Keeper

BATCH_BYTES = 32 << 20
"""Bytes of pieces that are in memory at a time: rsync sends files, and a piece is none."""


@dataclass
class TransferStats:
    """What banking has done so far.

    Attributes:
        hashed_files, hashed_bytes: read and hashed on the board.
        wire_bytes: what rsync sent.
        new_bytes: what was new in the store.
        unreadable: (part, path) of files that the card does not give back.
    """

    hashed_files: int = 0
    hashed_bytes: int = 0
    wire_bytes: int = 0
    new_bytes: int = 0
    unreadable: list[tuple[int, bytes]] = field(default_factory=list)


class _Place(NamedTuple):
    """Where the bytes of a content are: a part of a file, or here."""

    path: Path
    offset: int
    length: int
    data: bytes = b""

    def read(self) -> bytes:
        if self.data:
            return self.data
        with files.opened(self.path) as handle:
            return os.pread(handle, self.length, self.offset)


class PieceUploader:
    """Takes pieces to the keeper.

    Attributes:
        stats: what was sent so far.
    """

    def __init__(
        self, *, keeper: Keeper, transfer: BulkTransfer, run: RunStarted, memory: Path
    ) -> None:
        self._keeper, self._transfer, self._run = keeper, transfer, run
        self._memory = memory
        self._places: dict[str, _Place] = {}
        self.stats = TransferStats()

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
        places = self.add(file)
        asked = {
            digest: place for digest, place in places.items() if bytes.fromhex(digest) not in known
        }
        bad: set[str] = set()
        for batch in _batches(asked.items(), BATCH):
            wanted = [WantedContent(digest=d, size=place.length) for d, place in batch]
            lacking = self._keeper.lacking(wanted)
            bad |= self._send(show_possession.to_send(self._keeper, lacking, self.keyed), shape)
        return frozenset(bad)

    def add(self, file: PiecedFile) -> dict[str, _Place]:
        """Note where the pieces of a file are, so that they can be sent; return that."""
        listed = file.listed.encode()
        places = {file.listed.digest().hex(): _Place(file.path, 0, len(listed), listed)}
        for part in file.listed.parts():
            if part.digest:
                places[part.digest.hex()] = _Place(file.path, part.offset, part.length)
        self._places |= places
        return places

    def keyed(self, digest: str, nonce: bytes) -> bytes | None:
        """Return HMAC-SHA256 of a content; None if it is not ours, or cannot be read."""
        place = self._places.get(digest)
        try:
            return hmac.digest(nonce, place.read(), "sha256") if place else None
        except OSError:
            return None

    def resend(self, digests: Iterable[str]) -> tuple[str, ...]:
        """Send those of these contents that are ours; return the others.

        Raises:
            VerificationError: one of them changed since it was read.
        """
        wanted = list(digests)
        if self._send([digest for digest in wanted if digest in self._places]):
            raise VerificationError(
                "pieces that the keeper lacks changed on the board meanwhile",
                hint="nothing was sealed; run the capture again",
            )
        return tuple(digest for digest in wanted if digest not in self._places)

    def _send(self, digests: Iterable[str], shape: TransferMode = TransferMode.PLAIN) -> set[str]:
        rest, bad = deque(digests), set[str]()
        while rest:
            batch, size = [], 0
            while rest and size < BATCH_BYTES:
                batch.append(rest.popleft())
                size += self._places[batch[-1]].length
            bad |= self._send_batch({digest: self._places[digest] for digest in batch}, shape)
        return bad

    def _send_batch(self, batch: Mapping[str, _Place], shape: TransferMode) -> set[str]:
        with TemporaryDirectory(prefix="pieces-", dir=self._memory) as folder:
            paths = {digest: Path(folder, digest) for digest in batch}
            for digest, place in batch.items():
                with files.opened_new(paths[digest]) as target:
                    files.write_all(target, place.read())
            sent = self._transfer.send(paths, self._run.contents, shape=shape)
        self.stats.wire_bytes += sent.wire_bytes
        banked = self._keeper.ingest([*batch])
        self.stats.new_bytes += banked.new_bytes
        return set(banked.bad)


def _batches(items: Iterable[tuple[str, _Place]], most: int) -> Iterator[list[tuple[str, _Place]]]:
    rest = iter(items)
    while batch := list(islice(rest, most)):
        yield batch
