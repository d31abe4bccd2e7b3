"""Compares the whole tree with the index: first capture, and where no detector works.

Both sides come in key order, a directory at a time, so memory stays flat.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.model.entries import Entry, EntryType, Omitted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from holdstill.board.change_detection import Changes
    from holdstill.board.scan import Scanner
    from holdstill.records.index_queries import Index

PAGE = 500
"""Rows that are fetched, or written, at once."""


@dataclass(frozen=True)
class ScanTarget:
    """What is followed: one partition's rows in the index, and its files."""

    index: Index
    part: int
    scanner: Scanner


class Removal(NamedTuple):
    """A path that is gone, with everything below it."""

    path: bytes


Step = Removal | Entry


class Entered(Protocol):
    """Takes what a scan has entered into the index.

    It may change digests there, and must not commit: of a scan that is cut off, nothing may stay.
    A directory that is in the index as it is now might not be listed by the next run.
    """

    def __call__(self, entries: Sequence[Entry], /) -> None:
        """Take what was entered since the last call; the list is not changed any more."""


def ignored(_entries: Sequence[Entry], /) -> None:
    """Take nothing."""


def scan_all(
    subject: ScanTarget,
    changes: Changes,
    *,
    seq: int,
    noted: Callable[[Step], None] = lambda _: None,
    entered: Entered = ignored,
) -> None:
    """Inspect everything, and bring the index up to date while services run.

    Directories that move meanwhile are left as the index has them, and noted as doubtful by the
    scanner.

    Args:
        subject: what is followed.
        changes: which contents may be taken for unchanged.
        seq: the run that does it.
        noted: is called with every step.
        entered: takes what was entered, again and again.
    """
    writer = _Writer(subject, seq, entered)
    for step in differing(subject, changes):
        noted(step)
        writer.take(step)
    writer.finish()


class _Writer:
    """Writes steps into the index; removals last, so that moved files are recognised."""

    def __init__(self, subject: ScanTarget, seq: int, entered: Entered) -> None:
        self._subject = subject
        self._seq = seq
        self._entered = entered
        self._removed: list[bytes] = []
        self._batch: list[Entry] = []

    def take(self, step: Step) -> None:
        if isinstance(step, Removal):
            self._removed.append(step.path)
            return
        if self._removed and self._removed[-1] == step.path:  # something else has its name now
            self._subject.index.remove(self._subject.part, self._removed.pop())
        self._batch.append(step)
        if len(self._batch) >= PAGE:
            self._write()

    def _write(self) -> None:
        batch, self._batch = self._batch, []
        self._subject.index.put_all(self._subject.part, batch, seq=self._seq)
        self._entered(batch)

    def finish(self) -> None:
        self._write()
        for path in self._removed:
            self._subject.index.remove(self._subject.part, path)


def differing(subject: ScanTarget, changes: Changes) -> Iterator[Step]:
    """Yield what has to change in the index; it may be written to meanwhile, in this order."""
    top = subject.scanner.find(b"")
    if top is None:
        return
    yield from _met(subject, subject.index.get(subject.part, b""), top, changes)
    for listing in subject.scanner.listings(top):
        rows = _rows(subject, listing.directory)
        row = next(rows, None)
        for entry in listing.entries:
            while row is not None and row.name < entry.name:
                yield Removal(row.path)
                row = next(rows, None)
            if row is not None and row.name == entry.name:
                yield from _met(subject, row, entry, changes)
                row = next(rows, None)
            else:
                yield with_content(subject, entry, changes)
        while row is not None:
            yield Removal(row.path)
            row = next(rows, None)


def _rows(subject: ScanTarget, directory: bytes) -> Iterator[Entry]:
    """Yield the index's rows of a directory in name order; it may be written to behind them."""
    after = b""
    while page := subject.index.children_after(subject.part, directory, after=after, limit=PAGE):
        yield from page
        after = page[-1].name


def _met(subject: ScanTarget, row: Entry | None, entry: Entry, changes: Changes) -> Iterator[Step]:
    """Compare what the index and the tree have at one path."""
    if row is not None and row.type is EntryType.DIRECTORY is not entry.type:
        yield Removal(row.path)
        row = None
    if row is not None and _is_unchanged(row, entry, changes):
        entry = _filled(row, entry)
    else:
        entry = with_content(subject, entry, changes)
    if entry != row:
        yield entry


def with_content(subject: ScanTarget, entry: Entry, changes: Changes) -> Entry:
    """Return the entry with its digest, if the index has the unchanged file under any name."""
    if entry.type is not EntryType.FILE or not entry.size or not entry.seen.inode:
        return entry
    is_trusted = changes.trusts(entry.seen)
    for row in subject.index.by_inode(subject.part, entry.seen.inode) if is_trusted else ():
        if _is_unchanged(row, entry, changes):
            return _filled(row, entry)
    return entry


def _is_unchanged(row: Entry, entry: Entry, changes: Changes) -> bool:
    return (
        row.type is entry.type is EntryType.FILE
        and (row.seen, row.size) == (entry.seen, entry.size)
        and changes.trusts(entry.seen)
    )


def _filled(row: Entry, entry: Entry) -> Entry:
    """Take over what is known about a content. Whether it is swap is decided again."""
    if entry.omitted is not Omitted.NOTHING or row.omitted is Omitted.SWAP:
        return entry
    return entry._replace(digest=row.digest, omitted=row.omitted)


def is_pending(entry: Entry) -> bool:
    """Whether an entry's content is wanted and not known."""
    is_content = entry.type is EntryType.FILE and entry.size > 0
    return is_content and not entry.digest and entry.omitted is Omitted.NOTHING
