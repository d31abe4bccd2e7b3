"""Turn changed inodes into what has to change in the index, exactly.

A changed inode is looked up under every name that the index knows for it. A changed directory is
listed, and its names compared with those that the index has: what is gone is removed, what is new
is entered, with everything below it. A name in a directory that did not change cannot have
changed its meaning; so every difference between tree and index is below a changed directory or
at a known name of a changed inode.

While services run, files change during the scan. Nothing is concluded from a lookup that fails:
such inodes are doubtful, and reported again in the next round.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from holdstill.board import full_scan
from holdstill.board.change_detection import ChangedInodes
from holdstill.board.full_scan import Removal
from holdstill.errors import PauseError
from holdstill.model import paths
from holdstill.model.entries import EntryType, Omitted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.board.change_detection import Changes
    from holdstill.board.full_scan import Entered, ScanTarget, Step
    from holdstill.board.scan import Scanner
    from holdstill.model.entries import Entry

_LOCKED = (
    "it is in an encrypted folder that is locked: unlock it, or leave the folder out by `exclude`"
)
LIMIT = 30_000
"""Entries of one delta; it is held in memory, at about 1 KiB each."""


class DeltaTooLargeError(PauseError):
    """More has changed than is to be held in memory."""


@dataclass
class Delta:
    """What has to change in the index: first the removals, then the entries.

    Attributes:
        removed: paths that are gone or have become something else, with what is below them.
        entries: what is new or different, by path. Contents that are not known are pending.
        doubtful: inodes that could not be found where they should be, and must be looked for
            again; there are none while the file system is still.
    """

    removed: set[bytes] = field(default_factory=set)
    entries: dict[bytes, Entry] = field(default_factory=dict)
    doubtful: set[int] = field(default_factory=set)

    def steps(self) -> Iterator[Step]:
        """Yield everything in the order in which it has to be done."""
        for path in self.removed:
            yield Removal(path)
        yield from self.entries.values()

    def covers(self, path: bytes) -> bool:
        """Whether it decides about a path."""
        if path in self.entries:
            return True
        while path:
            if path in self.removed:
                return True
            path = paths.split(path)[0]
        return False

    def pending(self) -> Iterator[Entry]:
        """Yield the files whose content is not known, each inode once."""
        met = set()
        for entry in self.entries.values():
            if full_scan.is_pending(entry) and (not entry.link or entry.link not in met):
                met.add(entry.link)
                yield entry

    def give_up(self, lost: Entry) -> list[bytes]:
        """Mark a content as unreadable under all its names, and return these."""
        names = [
            path
            for path, entry in self.entries.items()
            if path == lost.path or (lost.link and entry.link == lost.link)
        ]
        for path in names:
            self.entries[path] = self.entries[path]._replace(omitted=Omitted.UNREADABLE)
        return names


class Copy(Protocol):
    """Takes the content of an open file into memory, inside the pause."""

    def __call__(self, handle: int, entry: Entry) -> None:
        """Copy entry.size bytes; the caller closes the handle."""


def follow(
    subject: ScanTarget,
    changes: Changes,
    *,
    seq: int,
    noted: Callable[[Step], None] = lambda _: None,
    entered: Entered = full_scan.ignored,
) -> set[int]:
    """Bring the index up to date with the running board; changed contents become pending.

    Returns the inodes that must be reported again.

    Args:
        subject: what is followed.
        changes: of the detector.
        seq: the run that does it.
        noted: is called with every step before it is taken.
        entered: takes what a full scan has entered, again and again.
    """
    if isinstance(changes, ChangedInodes):
        try:
            delta = resolve(subject, changes)
        except DeltaTooLargeError:
            pass
        else:
            for step in delta.steps():
                noted(step)
            apply(subject, delta, seq=seq)
            return delta.doubtful
    full_scan.scan_all(subject, changes, seq=seq, noted=noted, entered=entered)
    return _taken(subject.scanner)


def resolve(subject: ScanTarget, changes: Changes, *, limit: int = LIMIT) -> Delta:
    """Find out what has to change in the index. Only reads.

    Raises:
        DeltaTooLargeError: more than limit entries have changed.
    """
    _taken(subject.scanner)
    if isinstance(changes, ChangedInodes):
        return _Resolver(subject, changes, limit).resolve()
    delta = Delta()
    for step in full_scan.differing(subject, changes):
        if isinstance(step, Removal):
            delta.removed.add(step.path)
        else:
            delta.entries[step.path] = step
            _check_size(delta, limit)
    delta.doubtful = _taken(subject.scanner)
    return delta


def _taken(scanner: Scanner) -> set[int]:
    """Take over a scanner's doubts; it starts again."""
    doubtful = set(scanner.doubtful)
    scanner.doubtful.clear()
    return doubtful


def apply(subject: ScanTarget, delta: Delta, *, seq: int) -> None:
    """Bring the index up to date; seq is the run that does it."""
    for path in delta.removed:
        subject.index.remove(subject.part, path)
    for path, entry in delta.entries.items():
        # Equal rows stay as they are, so that their pages need not be sent.
        if subject.index.get(subject.part, path) != entry:
            subject.index.put(subject.part, entry, seq=seq)


def add_pending(subject: ScanTarget, delta: Delta, *, limit: int = LIMIT) -> None:
    """Enter also what the index has without content, so that its content is taken now.

    Raises:
        DeltaTooLargeError: it is too much.
    """
    after = (b"", b"")
    while rows := subject.index.pending(subject.part, after=after, limit=full_scan.PAGE):
        after = rows[-1].directory, rows[-1].name
        for row in rows:
            if not delta.covers(row.path):
                delta.entries[row.path] = row
                _check_size(delta, limit)


def _check_size(delta: Delta, limit: int) -> None:
    if len(delta.entries) > limit:
        raise DeltaTooLargeError(
            f"more than {limit} files changed since the last look",
            hint="capture when less is going on, or raise pause.rounds",
        )


class _Resolver:
    """Works out one delta from the inodes that changed."""

    def __init__(self, subject: ScanTarget, changes: ChangedInodes, limit: int) -> None:
        self._subject = subject
        self._scanner = subject.scanner
        self._changes = changes
        self._limit = limit
        self._delta = Delta()
        self._missed: list[Entry] = []
        # While services run, a directory may be gone after something in it was entered, or come
        # back after it was found gone: what counts is which came later.
        self._order: dict[bytes, int] = {}
        self._removed_at: dict[bytes, int] = {}
        self._moment = 0

    def resolve(self) -> Delta:
        for number in sorted(self._changes.numbers):
            for row in self._subject.index.by_inode(self._subject.part, number):
                entry = self._scanner.find(row.path)
                if entry is None or entry.seen.inode != row.seen.inode:
                    # Something else is there, or nothing: its directory has changed as well.
                    self._missed.append(row)
                elif entry.seen == row.seen and self._changes.trusts(entry.seen):
                    pass  # it might have changed, and has not
                elif row.type is not EntryType.DIRECTORY and entry.type is not EntryType.DIRECTORY:
                    self._enter(entry)
                elif row.type is entry.type and row.seen.generation == entry.seen.generation:
                    self._enter(entry)
                    self._list(entry)
                else:  # the inode was freed and used again, under the same name
                    self._remove(row.path)
                    self._enter_new(entry)
        # Drop entries of directories that were found gone, and not entered again, since. If they
        # are back, the directories that they are in have changed again, and are listed.
        kept = self._delta.entries
        for path in sorted(kept) if self._removed_at else ():
            removed_at = self._removal_above(path)
            is_later = self._order[path] > removed_at
            # Whether nothing above a path was removed, so that its directory is in the index.
            is_top = not self._removal_above(paths.split(path)[0])
            is_held = is_top or paths.split(path)[0] in kept
            if removed_at and not (is_later and is_held):
                del kept[path]
        # A directory above that has been listed tells what became of a path; if none was, the
        # path may still be good.
        self._delta.doubtful = _taken(self._scanner)
        self._delta.doubtful.update(
            row.seen.inode for row in self._missed if not self._delta.covers(row.path)
        )
        return self._delta

    def _enter(self, entry: Entry) -> None:
        filled = full_scan.with_content(self._subject, entry, self._changes)
        self._delta.entries[entry.path] = filled
        self._moment += 1
        self._order[entry.path] = self._moment
        _check_size(self._delta, self._limit)

    def _remove(self, path: bytes) -> None:
        self._delta.removed.add(path)
        self._moment += 1
        self._removed_at[path] = self._moment

    def _removal_above(self, path: bytes) -> int:
        """Return when last a path, or a directory above it, was found gone; 0 for never."""
        found = 0
        while path:
            found = max(found, self._removed_at.get(path, 0))
            path = paths.split(path)[0]
        return found

    def _enter_new(self, entry: Entry) -> None:
        """Enter what was not known, and all that is below it."""
        self._enter(entry)
        if entry.type is EntryType.DIRECTORY:
            for listing in self._scanner.listings(entry):
                for below in listing.entries:
                    self._enter(below)

    def _list(self, directory: Entry) -> None:
        """Compare the names in a directory with those that the index has."""
        path = directory.path
        with self._scanner.opened_directory(path, directory.seen.inode) as handle:
            if handle is None:
                return
            for name, is_known in self._differing(handle, path):
                if is_known:
                    self._remove(paths.join(path, name))
                entry = self._scanner.describe(handle, path, name)
                if entry is not None:
                    self._enter_new(entry)

    def _differing(self, handle: int, path: bytes) -> Iterator[tuple[bytes, bool]]:
        """Yield names that are new, gone or another inode's; and whether the index has them."""
        present = self._scanner.numbers(handle, path)
        for name, inode in self._subject.index.names(self._subject.part, path):
            found = present.pop(name, 0)
            if found != inode or not inode:  # 0: it was seen only from above
                yield name, True
        for name in sorted(present):
            yield name, False


def copy_pending(subject: ScanTarget, delta: Delta, copy: Copy) -> list[bytes]:
    """Copy the contents that a delta lacks, while the file system is still. Only reads otherwise.

    Returns the paths that the card does not give back; they are marked so in the delta.

    Raises:
        PauseError: something changed, so the file system is not still.
    """
    if delta.doubtful:
        raise PauseError(
            "the file system changed although it was held still",
            hint="it was thawed, or written to without the kernel; run the capture again",
        )
    unreadable = []
    for entry in list(delta.pending()):
        try:
            handle = subject.scanner.open(entry)
            try:
                if not subject.scanner.is_same(entry, handle):
                    raise PauseError(
                        f"{paths.display(entry.path)} changed although it was held still"
                    )
                copy(handle, entry)
            finally:
                os.close(handle)
        except OSError as error:
            if error.errno != errno.EIO:
                raise PauseError(
                    f"{paths.display(entry.path)}: {error.strerror}, although it was held still",
                    hint=_LOCKED if error.errno == errno.ENOKEY else "",
                ) from error
            unreadable += delta.give_up(entry)
    return unreadable
