"""Contents on their way from the store into their blocks, in a process of its own.

Reading and writing three gigabytes takes seconds of a processor; beside it the inodes and
directories are made. Nothing is allocated here: where a content goes was decided before. Nothing
is hashed either: that is done once, of what the target gives back in the end.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import HoldstillError, TargetFailedError
from holdstill.rebuild import sources
from holdstill.rebuild.ext4 import output
from holdstill.rebuild.ext4.output import Output
from holdstill.system import apart

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.rebuild.sources import Progress
    from holdstill.system.apart import Link

BATCH_FILES, BATCH_BYTES = 64, 32 << 20
"""What goes into one message."""
BATCHES_AHEAD = 4
"""Messages that wait to be answered, at most. Descriptors under way count against what its user
may have open (unix(7), ETOOMANYREFS), usually 1024: so three rebuilds may run at once.
"""
LARGE = 16 << 20
"""Bytes of a content from which on progress is told of its pieces, and not of it all at once."""


class Span(NamedTuple):
    """Where a part of a content goes: bytes of the target."""

    offset: int
    length: int


class Order(NamedTuple):
    """What is asked for one content, whose descriptor comes along."""

    size: int
    spans: list[Span]


class Answer(msgspec.Struct, frozen=True, omit_defaults=True):
    """What the porter says.

    Attributes:
        brought: bytes of a large content; then this is about nothing else.
        entry: which content of a batch is not as it should be; -1 for none.
        unreadable: why that content cannot be read.
        size: the bytes of one that is not as long as it was.
        failed: why the target cannot be written.
        hint: what to do about that.
    """

    brought: int = 0
    entry: int = -1
    unreadable: str = ""
    size: int = 0
    failed: str = ""
    hint: str = ""


class Porter:
    """Has contents brought to their places. Use `hired`."""

    def __init__(self, link: Link, progress: Progress) -> None:
        self._link, self._progress = link, progress
        self._underway: deque[list[Entry]] = deque()
        self._entries: list[Entry] = []
        self._orders: list[Order] = []
        self._handles: list[int] = []
        self._size = 0

    def bring(self, entry: Entry, handle: int, spans: list[Span]) -> None:
        """Have the content of an entry brought to where it goes.

        Args:
            entry: says its size and digest.
            handle: its content, which is closed here.
            spans: in their order; whole blocks, so that the last one may be longer than the rest.

        Raises:
            VerificationError: this content, or one before it, has not the size of its entry.
            TargetFailedError: one cannot be read, or the target cannot be written.
        """
        self._entries.append(entry)
        self._orders.append(Order(entry.size, spans))
        self._handles.append(handle)
        self._size += entry.size
        if len(self._orders) >= BATCH_FILES or self._size >= BATCH_BYTES:
            self._hand_over()
            while len(self._underway) > BATCHES_AHEAD:
                self._hear()

    def finish(self) -> None:
        """Wait until everything is on the target; errors as those of `bring`."""
        self._hand_over()
        self._link.send([])
        self._underway.append([])
        while self._underway:
            self._hear()

    def drop(self) -> None:
        """Close what was not handed over."""
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
        said, _ = self._link.receive(Answer)
        if said.brought:
            self._progress.advance(said.brought)
            return
        if said.failed:
            raise TargetFailedError(said.failed, hint=said.hint)
        entries = self._underway.popleft()
        if said.entry >= 0:
            raise trouble(entries[said.entry], said)
        self._progress.advance(sum(entry.size for entry in entries if entry.size < LARGE))


def trouble(entry: Entry, said: Answer) -> HoldstillError:
    """Return the error for a content that is not as it should be."""
    if said.unreadable:
        return sources.unreadable(entry, said.unreadable)
    return sources.not_the_content(entry, sources.other_size(said.size, entry.size))


@contextmanager
def hired(target: int, path: Path, progress: Progress) -> Iterator[Porter]:
    """Hold a porter for an open target, whose path is given, too."""

    def work(link: Link) -> None:
        with (
            output.writer(target, path) as pieces,
            ThreadPoolExecutor(1, thread_name_prefix="write") as thread,
        ):
            _serve(link, Output(target, pieces, thread))

    with apart.started(work) as link:
        porter = Porter(link, progress)
        try:
            yield porter
        finally:
            porter.drop()


def _serve(link: Link, out: Output) -> None:
    """Carry out orders until there are none; then see that everything is on the target."""
    carrier = Carrier(out, lambda count: link.send(Answer(brought=count)))
    try:
        while True:
            orders, handles = link.receive(list[Order])
            if not orders:
                out.finish()
                link.send(Answer())
                return
            link.send(carrier.carry_all(orders, handles))
    except HoldstillError as error:
        link.send(Answer(failed=str(error), hint=error.hint))


class Carrier:
    """Carries out orders.

    Args:
        out: where they go.
        tell: is told of the pieces of large contents.
    """

    def __init__(self, out: Output, tell: Callable[[int], None]) -> None:
        self._out, self._tell = out, tell

    def carry_all(self, orders: Sequence[Order], handles: Sequence[int]) -> Answer:
        """Bring contents to their places and close them; tell of the first that is not right."""
        try:
            return self._carry_all(orders, handles)
        finally:
            for handle in handles:
                os.close(handle)

    def _carry_all(self, orders: Sequence[Order], handles: Sequence[int]) -> Answer:
        for handle, order in zip(handles, orders, strict=True):
            os.posix_fadvise(handle, 0, order.size, os.POSIX_FADV_WILLNEED)
        for number, (handle, order) in enumerate(zip(handles, orders, strict=True)):
            try:
                size = self._carry(handle, order)
            except OSError as error:
                return Answer(entry=number, unreadable=str(error.strerror))
            if size != order.size:
                return Answer(entry=number, size=size)
        return Answer()

    def _carry(self, handle: int, order: Order) -> int:
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
                self._tell(position - begun)

        for place, length in order.spans:
            self._out.fill(place, length, put)
        return position
