"""Which pieces of a large file must be read again. Pure.

A piece that was read while its file was written to is still right at the freeze if

a. no traced write hit the blocks where it lies,
b. it lies where it lay just before and just after it was read,
c. all that was read of it where no written block stood for it was zeros,
d. it is as long as it was, and
e. nothing else had its blocks, just before and just after it was read.

Whatever changes a page after it was read makes it dirty, and a freeze waits until dirty pages are
written, which the trace tells, or thrown away, which the map or (c) tells; or, when the disk does
not take them, an error of fdatasync, after which a file is followed no more. No time stamp is in
it.

(b) is asked of each piece, not of a round: a range that is inserted before the read and taken out
behind it leaves the file's map as it was, and what was read is shifted. (c) is there because dirty
data over a hole or an unwritten extent can be punched or zeroed before it was ever written.

(e) is asked because a place can be given back: dirty data over a shared block is read, then
written elsewhere, and the old block comes back as a clone of whoever had it as well. Who begins to
share a block later finds its data written, for a clone waits for that. Only a snapshot does not:
the maps of btrfs tell them apart by it. What the pause itself has read needs none of this.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from enum import Enum
from itertools import pairwise
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.board.extent_map import Extent, State, join, joined

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence


class Why(Enum):
    """Why a piece must be read again."""

    NEW = "it was never read"
    RESIZED = "it has another length"
    UNSURE = "the file system does not say where it lies"
    MOVED_MEANWHILE = "it was moved while it was read"
    UNBACKED = "data was read for which no block stands"
    SHARED = "its blocks are shared, and may be given back"
    MOVED = "it lies elsewhere"
    WRITTEN = "its blocks were written"


class Written(Protocol):
    """What a trace told."""

    def within(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """Yield the written parts of a range of bytes of the disk."""


class PieceRead(NamedTuple):
    """What was learnt by reading one piece; `judged` makes it."""

    length: int
    extents: Sequence[Extent]
    doubt: Why | None


def judged(
    offset: int,
    data: bytes,
    before: Sequence[Extent],
    after: Sequence[Extent],
    *,
    is_shared: bool = False,
) -> PieceRead:
    """Judge what was read at an offset by the piece's own map just before and just after.

    Args:
        offset: bytes of the file before it.
        data: what was read.
        before: the map just before it was read.
        after: the map just behind it.
        is_shared: whether anything else had blocks of it, then or then, while it was written to.
    """
    doubt = _doubt(offset, data, before, after)
    return PieceRead(len(data), before, doubt or (Why.SHARED if is_shared else None))


def _doubt(
    offset: int, data: bytes, before: Sequence[Extent], after: Sequence[Extent]
) -> Why | None:
    if before != after:
        return Why.MOVED_MEANWHILE
    if any(extent.state is State.UNSURE for extent in before):
        return Why.UNSURE
    if any(data.count(0, start, end) != end - start for start, end in _bare(offset, data, before)):
        return Why.UNBACKED
    return None


def _bare(offset: int, data: bytes, extents: Sequence[Extent]) -> Iterator[tuple[int, int]]:
    """Yield the ranges of what was read that no stored extent stands for."""
    at = 0
    for extent in extents:
        if extent.state is State.STORED:
            if at < (start := min(extent.offset - offset, len(data))):
                yield at, start
            at = max(at, extent.end - offset)
    if at < len(data):
        yield at, len(data)


@dataclass
class PiecesRead:
    """What a round has learnt by reading pieces, which come in the order of their numbers.

    A large file has many pieces and few extents: where they lie is joined as it comes.

    Args:
        piece: bytes of a piece.

    Attributes:
        numbers: of the pieces that were read.
        lengths: of those that were not read in full length.
        doubts: of those that must be read again all the same.
        extents: where they lie.
    """

    piece: int
    numbers: set[int] = field(default_factory=set)
    lengths: dict[int, int] = field(default_factory=dict)
    doubts: dict[int, Why] = field(default_factory=dict)
    extents: list[Extent] = field(default_factory=list)

    def add(self, number: int, read: PieceRead) -> None:
        """Take in what was learnt by reading the next piece."""
        self.numbers.add(number)
        if read.length != self.piece:
            self.lengths[number] = read.length
        if read.doubt:
            self.doubts[number] = read.doubt
        for extent in read.extents:
            join(self.extents, extent)


class Look(NamedTuple):
    """A file's size at one moment, and its pieces that must be read again by their numbers."""

    size: int
    dirty: dict[int, Why]


@dataclass(frozen=True)
class FileAsRead:
    """What was read of one file so far, joined so that comparing takes as long as it has extents.

    Args:
        piece: bytes of a piece.
        count: pieces that were read or are in doubt; those behind them are new.
        extents: where each lay when it was read.
        lengths: of the pieces that were not read in full length.
        doubts: pieces to be read again whatever the trace says.
    """

    piece: int
    count: int = 0
    extents: Sequence[Extent] = ()
    lengths: Mapping[int, int] = field(default_factory=dict)
    doubts: Mapping[int, Why] = field(default_factory=dict)

    @classmethod
    def just_read(
        cls, piece: int, size: int, extents: Sequence[Extent], shared: Collection[int] = ()
    ) -> FileAsRead:
        """Return what is known of a file of this size and map, as if it was read and stood still.

        Only to learn what is written to it from now on: nothing was judged.

        Args:
            piece: bytes of a piece.
            size: bytes of the file.
            extents: its map.
            shared: pieces whose blocks are shared.
        """
        count, rest = -(-size // piece), size % piece
        lengths = {count - 1: rest} if rest else {}
        doubts = dict.fromkeys(shared, Why.SHARED)
        return cls(piece, count, joined(extents, 0, count * piece), lengths, doubts)

    def look(self, now: Sequence[Extent], written: Written, size: int) -> Look:
        """Tell which pieces must be read again.

        The trace is asked before the map, and the map before anything is read.

        Args:
            now: the map of the whole file.
            written: what was written to its disk since the look before.
            size: bytes of the file.
        """
        count = self._pieces(size)
        dirty = {
            **self._hit(now, written, size),
            **dict.fromkeys(self._moved(now, min(size, self.count * self.piece)), Why.MOVED),
            **dict.fromkeys(self._resized(size, count), Why.RESIZED),
            **self.doubts,
            **dict.fromkeys(range(self.count, count), Why.NEW),
        }
        return Look(size, {n: dirty[n] for n in sorted(dirty) if n < count})

    def after(self, look: Look, reads: PiecesRead) -> FileAsRead:
        """Return what is known after a round that read pieces of a look; the rest stay dirty."""
        count, gone = self._pieces(look.size), reads.numbers
        kept = (extent for extent in self.extents if extent.offset < count * self.piece)
        lengths = {n: length for n, length in self.lengths.items() if n not in gone}
        doubts = {n: why for n, why in look.dirty.items() if n not in gone}
        extents = [*_without(kept, gone, self.piece), *reads.extents]
        extents.sort(key=attrgetter("offset"))
        return FileAsRead(
            self.piece,
            count,
            joined(extents, 0, count * self.piece),
            {n: length for n, length in {**lengths, **reads.lengths}.items() if n < count},
            {**doubts, **reads.doubts},
        )

    def _pieces(self, size: int) -> int:
        return -(-size // self.piece)

    def _resized(self, size: int, count: int) -> Iterator[int]:
        """Yield the pieces that have another length than they were read with."""
        last = count - 1
        for n in {*self.lengths, last}:
            if self.lengths.get(n, self.piece) != min(self.piece, size - n * self.piece):
                yield n

    def _hit(self, now: Sequence[Extent], written: Written, size: int) -> dict[int, Why]:
        """Return the pieces whose blocks were written, or are not known.

        Every extent is looked up, as several of one file may share blocks.
        """
        found: dict[int, Why] = {}
        for extent in now:
            if extent.state is State.UNSURE:
                found.update(dict.fromkeys(self._touched(extent.offset, extent.end), Why.UNSURE))
            elif not extent.version and extent.offset < size:
                place = extent.offset + extent.shift
                for start, end in written.within(place, place + extent.length):
                    hit = self._touched(start - extent.shift, end - extent.shift)
                    found.update(dict.fromkeys(hit, Why.WRITTEN))
        return found

    def _touched(self, start: int, end: int) -> range:
        return range(start // self.piece, (end - 1) // self.piece + 1)

    def _moved(self, now: Sequence[Extent], end: int) -> Iterator[int]:
        """Yield the pieces up to an offset in which the maps differ."""
        cuts = sorted({0, end, *_edges(self.extents, end), *_edges(now, end)})
        then, there = _Cursor(self.extents), _Cursor(now)
        for start, stop in pairwise(cuts):
            if then.kind_at(start) != there.kind_at(start):
                yield from self._touched(start, stop)


def _edges(extents: Sequence[Extent], end: int) -> Iterator[int]:
    return (edge for one in extents for edge in (one.offset, one.end) if edge < end)


class _Cursor:
    """Walks along a map."""

    def __init__(self, extents: Sequence[Extent]) -> None:
        self._extents, self._at = extents, 0

    def kind_at(self, offset: int) -> tuple[int, State, tuple[int, ...]] | None:
        """Return what lies at an offset, none before the last one; None for a hole."""
        while self._at < len(self._extents) and self._extents[self._at].end <= offset:
            self._at += 1
        if self._at == len(self._extents) or self._extents[self._at].offset > offset:
            return None
        return self._extents[self._at].kind


def _without(extents: Iterator[Extent], pieces: Collection[int], piece: int) -> Iterator[Extent]:
    """Yield extents without what lies in some pieces."""
    gone = sorted(pieces)
    for extent in extents:
        start = extent.offset
        at = bisect_left(gone, start // piece)
        while at < len(gone) and gone[at] * piece < extent.end:
            if start < gone[at] * piece:
                yield extent.clipped(start, gone[at] * piece)
            start = (gone[at] + 1) * piece
            at += 1
        if start < extent.end:
            yield extent.clipped(start, extent.end)
