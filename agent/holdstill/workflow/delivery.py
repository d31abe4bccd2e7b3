"""Takes contents to the keeper, batch by batch: asks, sends, and has them taken over.

While the keeper takes over one batch, the next two are sent, and the one after that asked about,
in the order in which batches come. A batch arrives in the folder that an earlier one has left.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, Protocol, Self

from holdstill.errors import ConnectionLostError
from holdstill.model.protocol import Ingested
from holdstill.system.clocks import SystemClock
from holdstill.workflow import show_possession

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from concurrent.futures import Future
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.model.protocol import RunStarted, WantedContent
    from holdstill.system.clocks import Clock
    from holdstill.transport.rsync import TransferMode
    from holdstill.workflow.ports import BulkTransfer, Keeper

NOTHING = Ingested(kept=0, new_bytes=0)
PAUSES = (2.0, 10.0)
"""Seconds before each further try to send a batch; of tries that moved nothing."""
SENDERS = 2
"""A transfer begins with a login, half a second in which nothing is sent (measured): meanwhile the
other one sends."""
AHEAD = SENDERS + 2
"""Batches that are under way at a time: one for each thing that is done with them."""


@dataclass
class TransferStats:
    """What was done so far.

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


class Batch(Protocol):
    """Contents that the keeper may lack."""

    @property
    def wanted(self) -> Sequence[WantedContent]:
        """What the keeper is asked about, each content once."""

    def keyed(self, digest: str, nonce: bytes) -> bytes | None:
        """Return HMAC-SHA256 of a content's bytes; None when they cannot be read."""

    def laid_out(
        self, digests: Collection[str]
    ) -> AbstractContextManager[Mapping[TransferMode, Mapping[str, Path]]]:
        """Hold files with these contents, by the way in which they are sent best."""


class _Sent(NamedTuple):
    """The contents that rsync was given, and the bytes that it sent."""

    digests: tuple[str, ...]
    folder: int
    wire_bytes: int


class Delivery:
    """Delivers batches; leaving the block waits for those that are under way.

    Args:
        keeper: is asked, and takes over; its calls take turns.
        transfer: sends.
        run: has the folders to send to.
        stats: counts what goes over the wire.
        clock: is slept by; None for this machine's own.
    """

    def __init__(
        self,
        *,
        keeper: Keeper,
        transfer: BulkTransfer,
        run: RunStarted,
        stats: TransferStats,
        clock: Clock | None = None,
    ) -> None:
        self._keeper, self._transfer = keeper, transfer
        self._folders, self._stats = run.folders, stats
        self._clock = clock or SystemClock()
        self._asking, self._sending, self._taking = (
            ThreadPoolExecutor(max_workers=workers, thread_name_prefix=name)
            for name, workers in (("ask", 1), ("send", SENDERS), ("take", 1))
        )
        self._last: list[Future[Ingested] | None] = [None] * len(run.folders)
        self._count = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        for pool in (self._asking, self._sending, self._taking):
            pool.shutdown(cancel_futures=True)

    def put(self, batch: Batch) -> Future[Ingested]:
        """Begin to deliver a batch; what became of it is the result."""
        folder = self._count % len(self._folders)
        self._count += 1
        before = self._last[folder]
        asked = self._asking.submit(self._ask, batch, folder)
        sent = self._sending.submit(self._send, batch, asked, folder, before)
        taken = self._taking.submit(self._take, sent)
        self._last[folder] = taken
        return taken

    def _ask(self, batch: Batch, folder: int) -> tuple[str, ...]:
        """Return what the keeper lacks, when all has been proven that can be."""
        if not batch.wanted:
            return ()
        lacking = self._keeper.lacking(batch.wanted, folder)
        return show_possession.to_send(self._keeper, lacking, batch.keyed)

    def _send(
        self,
        batch: Batch,
        asked: Future[tuple[str, ...]],
        folder: int,
        before: Future[Ingested] | None,
    ) -> _Sent:
        digests = asked.result()
        if before is not None:
            before.result()  # the folder is free
        wire_bytes, left = 0, digests
        tries, furthest = iter(PAUSES), 0
        while left:
            try:
                wire_bytes += self._send_once(batch, left, folder)
                break
            except ConnectionLostError as lost:
                if lost.moved > furthest:
                    tries, furthest = iter(PAUSES), lost.moved
                pause = next(tries, None)
                if pause is None:
                    raise
                self._clock.sleep(pause)
                # The keeper goes on with the run, and has taken over what had arrived whole.
                lacking = self._ask(batch, folder)
                if len(lacking) < len(left):
                    tries, furthest = iter(PAUSES), 0
                left = lacking
        return _Sent(digests, folder, wire_bytes)

    def _send_once(self, batch: Batch, digests: Sequence[str], folder: int) -> int:
        """Send contents; return the bytes that rsync counted."""
        wire_bytes = 0
        with batch.laid_out(digests) as ways:
            for shape, paths in ways.items():
                if paths:
                    sent = self._transfer.send(paths, self._folders[folder], shape=shape)
                    wire_bytes += sent.wire_bytes
        return wire_bytes

    def _take(self, sent: Future[_Sent]) -> Ingested:
        digests, folder, wire_bytes = sent.result()
        self._stats.wire_bytes += wire_bytes
        return self._keeper.ingest(digests, folder) if digests else NOTHING
