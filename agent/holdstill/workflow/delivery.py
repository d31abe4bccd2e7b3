"""Takes contents to the keeper, batch by batch: asks, sends, and has them taken over.

While the keeper takes over one batch, the next two are sent, and the one after that asked about,
in the order in which batches come. A batch arrives in the folder that an earlier one has left.
"""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple, Protocol, Self

import msgspec

from holdstill.errors import ConnectionLostError
from holdstill.model.line_settings import Compress
from holdstill.model.protocol import Ingested
from holdstill.system.clocks import SystemClock
from holdstill.transport.rsync import TransferMode
from holdstill.workflow import compression, show_possession
from holdstill.workflow.line_meter import LineMeter
from holdstill.workflow.show_possession import ChallengeLostError

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
    from concurrent.futures import Future
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.model.protocol import RunStarted, WantedContent
    from holdstill.system.clocks import Clock
    from holdstill.workflow.ports import BulkTransfer, Keeper

NOTHING = Ingested(kept=0, new_bytes=0)
PAUSES = (2.0, 10.0, 30.0)
"""Seconds before each further try to send a batch, while nothing moves on the whole line."""
PROOF_TRIES = 5
"""Questions about a batch, if the connection breaks between each and its answer."""
SENDERS = 2
"""A transfer begins with the start of rsync at both ends, and with a login where it can share no
connection, half a second in which nothing is sent (measured): meanwhile the other one sends."""
AHEAD = SENDERS + 2
"""Batches that are under way at a time: one for each thing that is done with them."""


@dataclass
class TransferStats:
    """What was done so far.

    Attributes:
        hashed_files, hashed_bytes: read and hashed on the board.
        wire_bytes: what rsync sent.
        new_bytes: what was new in the store.
        compressed_bytes, compressed_wire: contents that were compressed on their way, and what
            rsync sent of them; of transfers that were not cut.
        unreadable: (part, path) of files that the card does not give back.
    """

    hashed_files: int = 0
    hashed_bytes: int = 0
    wire_bytes: int = 0
    new_bytes: int = 0
    compressed_bytes: int = 0
    compressed_wire: int = 0
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


class _Wire(NamedTuple):
    """Bytes that rsync sent; and before and after compression of those that were compressed."""

    bytes: int = 0
    before: int = 0
    after: int = 0

    def __add__(self, other: tuple[object, ...]) -> _Wire:
        assert isinstance(other, _Wire)  # noqa: S101  of its own kind only
        return _Wire(
            self.bytes + other.bytes, self.before + other.before, self.after + other.after
        )


class _Sent(NamedTuple):
    """What rsync was given, what it sent, and new bytes that were taken over after a cut."""

    digests: tuple[str, ...]
    folder: int
    wire: _Wire
    new_bytes: int


class Delivery:
    """Delivers batches; leaving the block waits for those that are under way.

    Args:
        keeper: is asked, and takes over; its calls take turns.
        transfer: sends.
        run: has the folders to send to.
        stats: counts what goes over the wire.
        clock: is slept by; None for this machine's own.
        meter: measures the line; None for one of its own.
        compress: the board's setting.
    """

    def __init__(
        self,
        *,
        keeper: Keeper,
        transfer: BulkTransfer,
        run: RunStarted,
        stats: TransferStats,
        clock: Clock | None = None,
        meter: LineMeter | None = None,
        compress: Compress = Compress.NO,
    ) -> None:
        self._keeper, self._transfer = keeper, transfer
        self._folders, self._stats = run.folders, stats
        self._clock = clock or SystemClock()
        self._meter = meter or LineMeter(self._clock)
        self._compress = compress
        self._moves = _Moves()
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
        """Return what the keeper lacks, when all has been proven that can be.

        The keeper takes proofs for its last question only, and on the connection of that: one
        thread asks.
        """
        if not batch.wanted:
            return ()
        for tries_left in reversed(range(PROOF_TRIES)):
            lacking = self._keeper.lacking(batch.wanted, folder)
            try:
                return show_possession.to_send(self._keeper, lacking, batch.keyed)
            except ChallengeLostError:
                if not tries_left:
                    return (*lacking.send, *lacking.prove)
        raise AssertionError("the last try returns")

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
        total, left, new_bytes = _Wire(), digests, 0
        tries, furthest, seen = iter(PAUSES), 0, self._moves.count
        while left:
            try:
                total += self._send_once(batch, left, folder)
                break
            except ConnectionLostError as lost:
                if lost.moved > furthest:
                    furthest = lost.moved
                    self._moves.note()
                # Of two transfers one may have had no turn between two cuts.
                if self._moves.count > seen:
                    tries, seen = iter(PAUSES), self._moves.count
                pause = next(tries, None)
                if pause is None:
                    raise
                self._clock.sleep(pause)
                # What has arrived whole is not said again.
                taken = self._keeper.ingest(left, folder, is_cut=True)
                new_bytes += taken.new_bytes
                if len(taken.bad) < len(left):
                    self._moves.note()
                    furthest = 0
                left = taken.bad
        self._moves.note()
        return _Sent(digests, folder, total, new_bytes)

    def _send_once(self, batch: Batch, digests: Sequence[str], folder: int) -> _Wire:
        """Send contents; return what rsync counted."""
        total = _Wire()
        with batch.laid_out(digests) as ways:
            for shape, paths in ways.items():
                if shape is TransferMode.PLAIN and paths:
                    chosen = compression.choose(paths, self._compress, self._meter.rate)
                    total += self._pass(chosen.plain, folder, shape)
                    packed = self._pass(chosen.compressed, folder, TransferMode.COMPRESSED)
                    total += packed._replace(before=chosen.compressed_bytes, after=packed.bytes)
                else:
                    total += self._pass(paths, folder, shape)
        return total

    def _pass(self, paths: Mapping[str, Path], folder: int, shape: TransferMode) -> _Wire:
        """Send files in one way."""
        if not paths:
            return _Wire()
        with self._meter.sending() as passed:
            sent = self._transfer.send(paths, self._folders[folder], shape=shape)
            passed(sent.wire_bytes)
        return _Wire(sent.wire_bytes)

    def _take(self, sent: Future[_Sent]) -> Ingested:
        digests, folder, wire, new_bytes = sent.result()
        self._stats.wire_bytes += wire.bytes
        self._stats.compressed_bytes += wire.before
        self._stats.compressed_wire += wire.after
        if not digests:
            return NOTHING
        taken = self._keeper.ingest(digests, folder)
        return msgspec.structs.replace(taken, new_bytes=taken.new_bytes + new_bytes)


class Deliveries:
    """Opens deliveries, of which there may be one at a time: they fill the same folders.

    What is opened while one is kept is that one: so what follows does not wait until all has
    arrived that was sent before.

    Args:
        make: makes a delivery.
    """

    def __init__(self, make: Callable[[], Delivery]) -> None:
        self._make = make
        self._kept: Delivery | None = None

    @contextmanager
    def opened(self) -> Iterator[Delivery]:
        """Hold a delivery; leaving the block waits for what is under way, if it is not kept."""
        if self._kept is not None:
            yield self._kept
            return
        with self._make() as delivery:
            yield delivery

    @contextmanager
    def kept(self) -> Iterator[None]:
        """Keep one delivery for all that is opened in the block."""
        with self._make() as delivery:
            self._kept = delivery
            try:
                yield
            finally:
                self._kept = None


class _Moves:
    """Counts what shows that the line is not dead, for all who send."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.count = 0

    def note(self) -> None:
        """Count a transfer that got on."""
        with self._lock:
            self.count += 1
