"""Read unchanged files again, and check that they still have their digests.

An inode with the same number, change time and size was not written to through the file system.
If its bytes differ from those of the capture nevertheless, the card (or the way to it) is at
fault, and nothing else on the board would ever report it.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass, field
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.model import pieces
from holdstill.model.layout import Record
from holdstill.model.pieces import Span
from holdstill.model.sizes import counted
from holdstill.system import ioctl, uncached_read

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import PieceList
    from holdstill.system.clocks import Clock
    from holdstill.system.uncached_read import PiecesRead

LISTED = 20
"""Bad ranges of one file that are named; all are counted."""


class RereadTree(Protocol):
    """The files of one mounted file system."""

    def open(self, entry: Entry) -> int:
        """Open an entry's content; the caller closes. OSError when it is gone or unreadable."""

    def is_same(self, entry: Entry, handle: int) -> bool:
        """Whether the open file has the inode, change time and size of the entry."""


class KnownLists(Protocol):
    """The lists of pieces that are remembered of large files."""

    def __call__(self, digest: bytes, /) -> PieceList | None:
        """Return the list with a digest; None when it is not known."""


class BadRange(Record, frozen=True, kw_only=True):
    """Pieces of a file, one behind the other, that are not what they were.

    Attributes:
        offset, length: where in the file, in bytes.
        place: the byte of its file system where the range begins, as FIEMAP tells it, which is
            a disk's only where a file system is on one disk and says so; -1 if it does not.
        is_unreadable: whether the card gives an error for it instead of other bytes.
    """

    offset: int
    length: int
    place: int = -1
    is_unreadable: bool = False


class RereadFinding(Record, frozen=True, kw_only=True):
    """One file whose bytes changed although no process wrote to it.

    Attributes:
        path: inside its file system.
        ranges: the first that are bad, where the file's pieces are known.
        more: how many more there are.
    """

    part: int
    path: bytes
    problem: str
    ranges: tuple[BadRange, ...] = ()
    more: int = 0


class _Harm(NamedTuple):
    """What is wrong with a file, as in `RereadFinding`."""

    problem: str
    ranges: tuple[BadRange, ...] = ()
    more: int = 0


@dataclass(frozen=True)
class RereadBudget:
    """How much one run may take; 0 is no limit."""

    bytes: int = 0
    seconds: float = 0.0


@dataclass
class Meter:
    """What one run has done so far.

    Attributes:
        files, bytes: read again and found as they were, or named in findings.
        changed: files that were changed, or are gone, since the capture: they cannot be judged.
    """

    budget: RereadBudget
    clock: Clock
    rate: float = 0.0
    files: int = 0
    bytes: int = 0
    changed: int = 0
    findings: list[RereadFinding] = field(default_factory=list)
    began: float = field(init=False)

    def __post_init__(self) -> None:
        self.began = self.clock.monotonic()

    @property
    def is_spent(self) -> bool:
        """Whether the budget is used up."""
        spent = self.clock.monotonic() - self.began
        too_long = 0 < self.budget.seconds <= spent
        return too_long or 0 < self.budget.bytes <= self.bytes

    def count(self, size: int) -> None:
        """Count a file that was read; wait if too much was read too soon."""
        self.files += 1
        self.bytes += size
        if self.rate > 0:
            ahead = self.bytes / self.rate - (self.clock.monotonic() - self.began)
            self.clock.sleep(max(ahead, 0.0))


def reread(
    part: int, tree: RereadTree, entries: Iterable[Entry], meter: Meter, known: KnownLists
) -> Entry | None:
    """Read files again until the budget is used up; return the last one that was dealt with."""
    last = None
    for entry in entries:
        if meter.is_spent:
            break
        harm = _harm(tree, entry, meter, known)
        if harm:
            meter.findings.append(RereadFinding(part=part, path=entry.path, **harm._asdict()))
        last = entry
    return last


def _harm(tree: RereadTree, entry: Entry, meter: Meter, known: KnownLists) -> _Harm | None:
    """Read one file; return what is wrong with it, None if nothing is or it cannot be judged."""
    try:
        handle = tree.open(entry)
    except OSError as error:
        if error.errno != errno.EIO:
            meter.changed += 1
            return None
        return _not_given(error)
    try:
        if not tree.is_same(entry, handle):
            meter.changed += 1
            return None
        meter.count(entry.size)
        harm = _compared(entry, handle, known)
        if harm and not tree.is_same(entry, handle):
            meter.changed += 1  # it was written to while we read
            return None
        return harm
    finally:
        os.close(handle)


_ONLY_ONCE = "read twice, it was wrong only once: the card, its contacts or the memory"
_OTHER_BYTES = "other bytes than in the capture, although nobody wrote to it"


def _compared(entry: Entry, handle: int, known: KnownLists) -> _Harm | None:
    """Read an open file, and once more if it is not what it was."""
    if _looked_at(entry, handle) is None:
        return None
    listed = known(entry.digest) if pieces.is_pieced(entry.size) else None
    if listed is None:
        return _looked_at(entry, handle) or _Harm(_ONLY_ONCE)
    try:
        return _by_pieces(handle, listed)
    except EOFError as error:
        return _too_short(error)
    except OSError as error:
        return _not_given(error)


def _looked_at(entry: Entry, handle: int) -> _Harm | None:
    try:
        if uncached_read.hash_uncached(handle, entry.size) == entry.digest:
            return None
    except EOFError as error:
        return _too_short(error)
    except OSError as error:
        return _not_given(error)
    return _Harm(_OTHER_BYTES)


def _too_short(error: EOFError) -> _Harm:
    return _Harm(f"it ends too soon: {error}")


def _not_given(error: OSError) -> _Harm:
    return _Harm(f"the card does not give it back: {error.strerror}")


def _by_pieces(handle: int, listed: PieceList) -> _Harm:
    """Read a large file piece by piece, to tell where it is not what it was."""
    found = uncached_read.read_pieces(handle, listed.size)
    bad = list(_bad_spans(listed, found))
    shown = tuple(
        BadRange(
            offset=at, length=length, place=_place(handle, at),
            is_unreadable=at in found.unreadable,
        )
        for at, length in bad[:LISTED]
    )  # fmt: skip
    return _Harm(_told(found, bad), shown, len(bad) - len(shown))


def _bad_spans(listed: PieceList, found: PiecesRead) -> Iterator[Span]:
    """Yield where the pieces that were read differ; what cannot be read is apart."""
    lost = frozenset(found.unreadable)
    for span in pieces.differing(listed, found.listed):
        end = min(span.offset + span.length, found.end)
        for _, group in groupby(range(span.offset, end, listed.piece), lost.__contains__):
            starts = list(group)
            yield Span(starts[0], min(starts[-1] + listed.piece, end) - starts[0])


def _told(found: PiecesRead, bad: Sequence[Span]) -> str:
    if not found.unreadable:
        return _OTHER_BYTES if bad else _ONLY_ONCE
    text = f"the card does not give back {counted(len(found.unreadable), 'piece')} of it"
    if found.end < found.listed.size:
        text += f"; what is behind byte {found.end:,} was not tried"
    return text


def _place(handle: int, offset: int) -> int:
    """Return the byte of the file system where a byte of a file is; -1 when none can be told."""
    try:
        extent = next(ioctl.fiemap(handle, offset, 1), None)
    except OSError:
        return -1
    if extent is None or extent.flags & ~ioctl.FIEMAP_PLACED:
        return -1
    return extent.physical + offset - extent.logical
