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
from holdstill.model import pieces
from holdstill.model.entries import with_digest
from holdstill.system import worker_process

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
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

_NONE = -1
"""In the place of the descriptor of a hole."""


class TargetSpan(NamedTuple):
    """Where a part of a content goes: bytes of the target."""

    offset: int
    length: int


class CopyJob(NamedTuple):
    """The request for one content.

    Attributes:
        size: bytes of it.
        digest: which one; None when its descriptor comes along.
        is_hole: it is zeroes, and is in no store.
    """

    size: int
    spans: list[TargetSpan]
    digest: bytes | None = None
    is_hole: bool = False


def cut(spans: Sequence[TargetSpan], start: int, length: int) -> list[TargetSpan]:
    """Return where the bytes of a file from start on go: the part of its spans that they take."""
    found: list[TargetSpan] = []
    position = 0
    for offset, room in spans:
        first, end = max(start, position), min(start + length, position + room)
        if first < end:
            found.append(TargetSpan(offset + first - position, end - first))
        position += room
    return found


class CopyResult(msgspec.Struct, frozen=True, omit_defaults=True):
    """The answer of the copy worker.

    Attributes:
        entry: which content of a batch is not as it should be; -1 for none.
        missing: why that content is not there.
        unreadable: why that content cannot be read.
        size: the bytes of one that is not as long as it was.
        failed: why the target cannot be written.
        hint: what to do about that.
    """

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
        self._underway: deque[tuple[list[Entry], list[int]]] = deque()
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
        if not pieces.is_pieced(entry.size):
            self._submit(entry, CopyJob(entry.size, spans, entry.digest))
            return
        room = sum(span.length for span in spans)
        for part in writer_input.stored_parts(self._contents, entry):
            end = part.offset + part.length
            # Behind the end of the file, the last block is filled up.
            length = room - part.offset if end == entry.size else part.length
            job = CopyJob(part.length, cut(spans, part.offset, length), part.digest)
            self._submit(entry, job if part.digest else job._replace(is_hole=True))

    def _submit(self, entry: Entry, job: CopyJob) -> None:
        if not self._are_here and not job.is_hole:
            wanted = with_digest(entry, job.digest or b"")
            self._handles.append(writer_input.handle_of(self._contents, wanted))
            job = job._replace(digest=None)
        self._entries.append(entry)
        self._orders.append(job)
        self._size += job.size
        if len(self._orders) >= BATCH_FILES or self._size >= BATCH_BYTES:
            self._hand_over()
            while len(self._underway) > BATCHES_AHEAD:
                self._hear()

    def finish(self) -> None:
        """Wait until everything is on the target; errors as those of `submit`."""
        self._hand_over()
        self._link.send([])
        self._underway.append(([], []))
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
        sizes = [job.size for job in self._orders]
        self._underway.append((self._entries, sizes))
        self.drop()
        self._entries, self._orders, self._size = [], [], 0

    def _hear(self) -> None:
        """Wait for one message: what became of a batch."""
        answer, _ = self._link.receive(CopyResult)
        if answer.failed:
            raise TargetFailedError(answer.failed, hint=answer.hint)
        entries, sizes = self._underway.popleft()
        if answer.entry >= 0:
            raise content_error(entries[answer.entry], answer, sizes[answer.entry])
        self._progress.advance(sum(sizes))


def content_error(entry: Entry, answer: CopyResult, size: int) -> HoldstillError:
    """Return the error for a content, or a piece, of this size that is not as it should be."""
    if answer.missing:
        return writer_input.not_the_content(entry, answer.missing)
    if answer.unreadable:
        return writer_input.unreadable(entry, answer.unreadable)
    return writer_input.not_the_content(entry, writer_input.other_size(answer.size, size))


@contextmanager
def started(
    target: int, path: Path, contents: ContentSource, progress: ByteCounter
) -> Iterator[CopyWorker]:
    """Hold a worker that copies contents to an open target, whose path is given, too."""

    def work(link: WorkerPipe) -> None:
        with (
            output.writer(target, path) as parts,
            ThreadPoolExecutor(1, thread_name_prefix="write") as thread,
        ):
            _serve(link, contents, Output(target, parts, thread))

    with worker_process.started(work) as link:
        worker = CopyWorker(link, contents, progress)
        try:
            yield worker
        finally:
            worker.drop()


def _serve(link: WorkerPipe, contents: ContentSource, out: Output) -> None:
    """Carry out orders until there are none; then see that everything is on the target."""
    carrier = JobRunner(contents, out)
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
    """

    def __init__(self, contents: ContentSource, out: Output) -> None:
        self._contents, self._out = contents, out

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
                if handle != _NONE:
                    os.close(handle)
        return wrong or CopyResult()

    def _open_all(
        self, orders: Sequence[CopyJob], given: deque[int], opened: list[int]
    ) -> CopyResult | None:
        """Open what is ordered, or take what was given; all is read ahead."""
        for number, order in enumerate(orders):
            if order.is_hole:
                opened.append(_NONE)
                continue
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
            if order.is_hole:
                for place, length in order.spans:
                    self._out.clear(place, length)
                continue
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
            left = room
            while left and (count := os.preadv(handle, [left], position)):
                left, position = left[count:], position + count
            # What the target held before must not show behind a file in its last block.
            left[:] = bytes(len(left))

        for place, length in order.spans:
            self._out.fill(place, length, put)
        return position
