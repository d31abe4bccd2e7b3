"""Contents on their way from the store into their blocks, in a separate process.

Opening, reading and writing three gigabytes takes seconds of a processor; beside it the inodes and
directories are made. Nothing is allocated here: where a content goes was decided before. Nothing
is hashed either: that is done once, of what the target gives back in the end.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import HoldstillError, TargetFailedError, VerificationError
from holdstill.filesystems import writer_input
from holdstill.filesystems.ext4 import output
from holdstill.filesystems.ext4.output import Output
from holdstill.filesystems.writer_input import LocalContents
from holdstill.system import worker_process

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.worker_process import WorkerPipe

BATCH_FILES, BATCH_BYTES = 64, 32 << 20
"""What goes into one message."""
BATCHES_AHEAD = 4
"""Messages that wait to be answered, at most. Descriptors under way count against what its user
may have open (unix(7), ETOOMANYREFS), usually 1024: so three rebuilds may run at once.
"""
LARGE = 16 << 20
"""Bytes of a content from which on progress is reported by piece, and not once for all of it."""


class TargetSpan(NamedTuple):
    """Where a part of a content goes: bytes of the target."""

    offset: int
    length: int


class CopyJob(NamedTuple):
    """The request for one content.

    Attributes:
        digest: which one; None when its descriptor comes along.
    """

    size: int
    spans: list[TargetSpan]
    digest: bytes | None = None


class CopyResult(msgspec.Struct, frozen=True, omit_defaults=True):
    """The answer of the copy worker.

    Attributes:
        brought: bytes copied of a large content; then nothing else is reported.
        entry: which content of a batch is not as it should be; -1 for none.
        missing: why that content is not there.
        unreadable: why that content cannot be read.
        size: the bytes of one that is not as long as it was.
        failed: why the target cannot be written.
        hint: what to do about that.
    """

    brought: int = 0
    entry: int = -1
    missing: str = ""
    unreadable: str = ""
    size: int = 0
    failed: str = ""
    hint: str = ""


class CopyWorker:
    """Has contents copied to their places. Use `started`."""

    def __init__(self, link: WorkerPipe, contents: ContentSource, progress: ByteCounter) -> None:
        self._link, self._contents, self._progress = link, contents, progress
        self._are_here = isinstance(contents, LocalContents)
        self._underway: deque[list[Entry]] = deque()
        self._entries: list[Entry] = []
        self._orders: list[CopyJob] = []
        self._handles: list[int] = []
        self._size = 0

    def submit(self, entry: Entry, spans: list[TargetSpan]) -> None:
        """Have the content of an entry copied to its place.

        Args:
            entry: contains its size and digest.
            spans: in their order; whole blocks, so that the last one may be longer than the rest.

        Raises:
            VerificationError: this content, or one before it, is missing or has another size.
            TargetFailedError: one cannot be read, or the target cannot be written.
        """
        if self._are_here:
            order = CopyJob(entry.size, spans, entry.digest)
        else:
            order = CopyJob(entry.size, spans)
            self._handles.append(writer_input.handle_of(self._contents, entry))
        self._entries.append(entry)
        self._orders.append(order)
        self._size += entry.size
        if len(self._orders) >= BATCH_FILES or self._size >= BATCH_BYTES:
            self._hand_over()
            while len(self._underway) > BATCHES_AHEAD:
                self._hear()

    def finish(self) -> None:
        """Wait until everything is on the target; errors as those of `submit`."""
        self._hand_over()
        self._link.send([])
        self._underway.append([])
        while self._underway:
            self._hear()

    def drop(self) -> None:
        """Close the handles that were not passed on."""
        while self._handles:
            os.close(self._handles.pop())

    def _hand_over(self) -> None:
        if not self._orders:
            return
        self._link.send(self._orders, self._handles)
        self._underway.append(self._entries)
        self.drop()
        self._entries, self._orders, self._size = [], [], 0

    def _hear(self) -> None:
        """Wait for one message: bytes of a large content, or what became of a batch."""
        answer, _ = self._link.receive(CopyResult)
        if answer.brought:
            self._progress.advance(answer.brought)
            return
        if answer.failed:
            raise TargetFailedError(answer.failed, hint=answer.hint)
        entries = self._underway.popleft()
        if answer.entry >= 0:
            raise content_error(entries[answer.entry], answer)
        self._progress.advance(sum(entry.size for entry in entries if entry.size < LARGE))


def content_error(entry: Entry, answer: CopyResult) -> HoldstillError:
    """Return the error for a content that is not as it should be."""
    if answer.missing:
        return writer_input.not_the_content(entry, answer.missing)
    if answer.unreadable:
        return writer_input.unreadable(entry, answer.unreadable)
    return writer_input.not_the_content(entry, writer_input.other_size(answer.size, entry.size))


@contextmanager
def started(
    target: int, path: Path, contents: ContentSource, progress: ByteCounter
) -> Iterator[CopyWorker]:
    """Hold a worker that copies contents to an open target, whose path is given, too."""

    def work(link: WorkerPipe) -> None:
        with (
            output.writer(target, path) as pieces,
            ThreadPoolExecutor(1, thread_name_prefix="write") as thread,
        ):
            _serve(link, contents, Output(target, pieces, thread))

    with worker_process.started(work) as link:
        worker = CopyWorker(link, contents, progress)
        try:
            yield worker
        finally:
            worker.drop()


def _serve(link: WorkerPipe, contents: ContentSource, out: Output) -> None:
    """Carry out orders until there are none; then see that everything is on the target."""
    carrier = JobRunner(contents, out, lambda count: link.send(CopyResult(brought=count)))
    try:
        while True:
            orders, handles = link.receive(list[CopyJob])
            if not orders:
                out.finish()
                link.send(CopyResult())
                return
            link.send(carrier.run(orders, handles))
    except HoldstillError as error:
        link.send(CopyResult(failed=str(error), hint=error.hint))


class JobRunner:
    """Carries out orders.

    Args:
        contents: opens those that come without a descriptor.
        out: where they go.
        progress: is called with the pieces of large contents.
    """

    def __init__(
        self, contents: ContentSource, out: Output, progress: Callable[[int], None]
    ) -> None:
        self._contents, self._out, self._progress = contents, out, progress

    def run(self, orders: Sequence[CopyJob], handles: list[int]) -> CopyResult:
        """Write contents to their places; report the first that is not right.

        Args:
            orders: the requests.
            handles: the descriptors of those without a digest, in their order; they are closed.
        """
        given, opened = deque(handles), list[int]()
        try:
            wrong = self._open_all(orders, given, opened) or self._bring_all(orders, opened)
        finally:
            for handle in (*opened, *given):
                os.close(handle)
        return wrong or CopyResult()

    def _open_all(
        self, orders: Sequence[CopyJob], given: deque[int], opened: list[int]
    ) -> CopyResult | None:
        """Open what is ordered, or take what was given; all is read ahead."""
        for number, order in enumerate(orders):
            try:
                handle = given.popleft() if order.digest is None else self._open(order.digest)
            except VerificationError as error:
                return CopyResult(entry=number, missing=str(error))
            except OSError as error:
                return CopyResult(entry=number, unreadable=str(error.strerror))
            opened.append(handle)
            with suppress(OSError):  # it is advice
                os.posix_fadvise(handle, 0, order.size, os.POSIX_FADV_WILLNEED)
        return None

    def _open(self, digest: bytes) -> int:
        if not digest:
            raise VerificationError("the index does not say which one it is")
        return self._contents.open(digest)

    def _bring_all(self, orders: Sequence[CopyJob], opened: Sequence[int]) -> CopyResult | None:
        for number, (handle, order) in enumerate(zip(opened, orders, strict=True)):
            try:
                size = self._carry(handle, order)
            except OSError as error:
                return CopyResult(entry=number, unreadable=str(error.strerror))
            if size != order.size:
                return CopyResult(entry=number, size=size)
        return None

    def _carry(self, handle: int, order: CopyJob) -> int:
        """Return how long a content is: it was carried if that is what was ordered."""
        there = os.fstat(handle).st_size
        if there != order.size:
            return there
        position = 0

        def put(room: memoryview) -> None:
            nonlocal position
            begun, left = position, room
            while left and (count := os.preadv(handle, [left], position)):
                left, position = left[count:], position + count
            # What the target held before must not show behind a file in its last block.
            left[:] = bytes(len(left))
            if order.size >= LARGE:
                self._progress(position - begun)

        for place, length in order.spans:
            self._out.fill(place, length, put)
        return position
