"""The files of each mounted partition, from a capture's first scan to its last."""

from __future__ import annotations

import functools
import itertools
import os
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import full_scan, index_delta
from holdstill.board import spool as spools
from holdstill.board.change_detection import ChangedInodes, EverythingMayHaveChanged
from holdstill.board.followed_files import FollowedPart, How, Way
from holdstill.board.full_scan import Removal, ScanTarget
from holdstill.board.index_delta import Delta
from holdstill.errors import PauseError
from holdstill.model import paths, pieces
from holdstill.model.entries import EntryType
from holdstill.workflow.pause_budget import PauseLoad
from holdstill.workflow.precopy import PendingAmount

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.board.change_detection import Changes, Detector
    from holdstill.board.followed_files import FileInPause
    from holdstill.board.full_scan import Entered, Step
    from holdstill.board.scan import Scanner, ScanProblem
    from holdstill.board.spool import Spool, Spooled
    from holdstill.model.entries import Entry
    from holdstill.records.index_queries import Index

BASIS_FROM = 1 << 20
"""Files of at least this size are worth a difference to their older content."""
MISSED_MAX = 1000
"""Missed changes that are looked for in one cross-check: one is bad enough."""
NOTHING_CHANGED = ChangedInodes(frozenset())
BATCH_LIVE = 1000
"""Files that are looked up in the index at once."""


class MountedTree:
    """The files of one mounted file system.

    Attributes:
        followed: its large files that are followed.
        unreadable: paths that the card did not give back in the pause.
    """

    def __init__(
        self,
        part: int,
        scanner: Scanner,
        detector: Detector,
        followed: FollowedPart | None = None,
    ) -> None:
        self.part = part
        self.followed = followed or FollowedPart(Way(How.WHOLE, "it is not frozen"), None)
        self._scanner = scanner
        self._detector = detector
        self._older: dict[bytes, bytes] = {}
        self._delta = Delta()
        self._spooled: dict[bytes, Spooled] = {}
        self._pieces: dict[int, FileInPause] = {}
        self.unreadable: list[bytes] = []

    @property
    def detection(self) -> str:
        """How changes are found, as the manifest names it."""
        return self._detector.name

    @property
    def problems(self) -> tuple[ScanProblem, ...]:
        """What could not be looked at so far."""
        return tuple(self._scanner.troubles)

    def update_live(self, index: Index, *, seq: int, entered: Entered = full_scan.ignored) -> None:
        """Bring the index up to date with the running board; new contents become pending.

        Args:
            index: of the board; what is entered becomes final at the end, all at once.
            seq: of the run.
            entered: takes what a full scan has entered, again and again.
        """
        subject = ScanTarget(index, self.part, self._scanner)
        doubtful = index_delta.follow(
            subject,
            self._with_locked(index, self._detector.changes()),
            seq=seq,
            noted=functools.partial(self._note_older, index),
            entered=entered,
        )
        index.commit()
        self.followed.confirm(functools.partial(index.digest_of_inode, self.part))
        self._detector.confirm()
        self._detector.doubt(doubtful)

    def locked(self, index: Index) -> list[Entry]:
        """Return the folders that are encrypted and were locked, so that they are not captured."""
        return index.locked(self.part) if self._scanner.has_encryption else []

    def _with_locked(self, index: Index, changes: Changes) -> Changes:
        """Add the folders that were locked: unlocking changes nothing that can be seen."""
        if not isinstance(changes, ChangedInodes):
            return changes
        locked = {row.seen.inode for row in self.locked(index)}
        return replace(changes, numbers=changes.numbers | locked) if locked else changes

    def pending_amount(self, index: Index) -> PendingAmount:
        """Return what changed: no holes; of files that are followed, only their dirty pieces."""
        files, size = index.pending_totals(self.part)
        sparse = {row.seen.inode: row for row in index.pending_sparse(self.part)}
        size += sum(min(self._needed(row), row.size) - row.size for row in sparse.values())
        for inode in set(self.followed.inodes()) - sparse.keys():
            rows = index.by_inode(self.part, inode)
            whole = max((row.size for row in rows if full_scan.is_pending(row)), default=0)
            if whole:
                size += min(self.followed.dirty_bytes(inode) or 0, whole) - whole
        return PendingAmount(files, size)

    def pause_load(self, index: Index) -> PauseLoad:
        """Return what a pause would have to copy now, from the index as it was last updated.

        It counts as the spool does: no holes, each inode once, and of files that are followed only
        what their last look found dirty.
        """
        load, after, met = PauseLoad(), (b"", b""), set[int]()
        while entries := index.pending(self.part, after=after, limit=BATCH_LIVE):
            after = (entries[-1].directory, entries[-1].name)
            for entry in entries:
                if not entry.link or entry.link not in met:
                    load += PauseLoad.of_file(entry.path, self._needed(entry))
                if entry.link:
                    met.add(entry.link)
        return load

    def _needed(self, entry: Entry) -> int:
        """Return the bytes of memory that a file takes; 0 if it cannot be opened any more."""
        dirty = self.followed.dirty_bytes(entry.seen.inode)
        whole = self._without_holes(entry) if entry.sparse else spools.needed(entry.size)
        if dirty is not None and pieces.is_pieced(entry.size):
            return min(spools.needed(min(dirty, entry.size)), whole)
        return whole

    def _without_holes(self, entry: Entry) -> int:
        try:
            handle = self.open(entry)
        except OSError:
            return 0
        try:
            return spools.needed_for(handle)
        except OSError:
            return 0
        finally:
            os.close(handle)

    def stage(self, index: Index, spool: Spool, is_over: Callable[[], bool]) -> None:
        """Just before the pause: copy to memory what changed in files that are followed.

        Raises:
            SpoolFullError: it does not fit, so that the pause could not take it either.
        """
        for inode in self.followed.inodes():
            for entry in filter(full_scan.is_pending, index.by_inode(self.part, inode)):
                with _named(entry):
                    self.followed.stage(inode, spool, is_over)
                break  # its other names are the same file

    def prepare_freeze(self) -> None:
        """Prepare for the freeze, just before it."""
        self._detector.prepare_freeze()

    def collect_frozen(self, index: Index, spool: Spool) -> None:
        """Inside the pause: find what changed since, and copy it to memory. Only reads."""
        subject = ScanTarget(index, self.part, self._scanner)
        delta = index_delta.resolve(subject, self._detector.frozen_changes())
        index_delta.add_pending(subject, delta)

        def copy(handle: int, entry: Entry) -> None:
            with _named(entry):
                if taken := self.followed.spool_frozen(handle, spool):
                    self._pieces[entry.seen.inode] = taken
                else:
                    self._spooled[entry.path] = spool.copy(handle, entry.size)

        self.unreadable += index_delta.copy_pending(subject, delta, copy)
        self._delta = delta

    def commit_frozen(self, index: Index, *, seq: int) -> SpooledPlace:
        """Enter what `collect_frozen` found; return where its contents are. After the pause."""
        subject = ScanTarget(index, self.part, self._scanner)
        older = {}
        for path, entry in self._delta.entries.items():
            self._note_older(index, entry)
            older[path] = self._older.get(path, b"")
        index_delta.apply(subject, self._delta, seq=seq)
        index.commit()
        self._detector.confirm()
        return SpooledPlace(self.part, self._spooled, older, self._pieces)

    def take_live(self, index: Index, spool: Spool, *, seq: int) -> SpooledPlace:
        """Copy what has no content yet as it is found; its parts may be of different moments.

        For files that change faster than they can be read, where nothing can be held still.
        """
        copies: dict[int, tuple[Entry, Spooled]] = {}
        taken: dict[bytes, Spooled] = {}
        after = (b"", b"")
        while entries := index.pending(self.part, after=after, limit=BATCH_LIVE):
            for entry in entries:
                after = (entry.directory, entry.name)
                found = self._copied(entry, spool, copies)
                if found is None:
                    index.remove(self.part, entry.path)
                    continue
                index.put(self.part, found, seq=seq)
                if found.size:
                    taken[found.path] = copies[found.seen.inode][1]
            index.commit()
        return SpooledPlace(self.part, taken, {})

    def _copied(
        self, entry: Entry, spool: Spool, copies: dict[int, tuple[Entry, Spooled]]
    ) -> Entry | None:
        """Copy a file under one of its names; all names of it get the same copy."""
        found = self._scanner.find(entry.path)
        if found is None or found.type is not EntryType.FILE:
            return found
        if found.seen.inode not in copies:
            handle = self._scanner.open(found)
            try:
                with _named(entry):
                    copies[found.seen.inode] = (found, spool.copy_live(handle))
            finally:
                os.close(handle)
        first, copy = copies[found.seen.inode]
        # As described before it was copied: so the next capture finds that it changed.
        return first._replace(directory=entry.directory, name=entry.name, size=copy.size)

    def cross_check(self, index: Index, *, seq: int) -> list[bytes]:
        """Inspect everything, and return what the change detection has missed.

        What changed since the last scan is not missed: the next one finds it. If anything else
        differs, everything is entered again, and every content is read again.
        """
        subject = ScanTarget(index, self.part, self._scanner)
        steps = list(itertools.islice(full_scan.differing(subject, NOTHING_CHANGED), MISSED_MAX))
        later = self._detector.changes()
        missed = [step.path for step in steps if not self._is_explained(index, step, later)]
        if missed:
            self.followed.let_go_all()  # what was assumed of them as well
            doubted = EverythingMayHaveChanged("changes were missed", recent=None)
            full_scan.scan_all(subject, doubted, seq=seq)
            index.commit()
            self._detector.confirm()
        return missed

    def _is_explained(self, index: Index, step: Step, later: Changes) -> bool:
        """Whether a difference is newer than the last scan: its inode or its directory changed."""
        if not isinstance(later, ChangedInodes):
            return True
        known = index.get(self.part, step.path)
        # The nearest directory above that is in the index: one moved here is not.
        path, found = step.path, None
        while path and found is None:
            path = paths.split(path)[0]
            found = index.get(self.part, path)
        above = found
        inodes = {entry.seen.inode for entry in (above, known) if entry}
        if not isinstance(step, Removal):
            inodes.add(step.seen.inode)
        return not inodes.isdisjoint(later.numbers)

    def has_changed(self, index: Index) -> bool:
        """Whether the tree is not as the index has it; for what cannot be held still."""
        subject = ScanTarget(index, self.part, self._scanner)
        delta = index_delta.resolve(subject, self._detector.changes())
        changed = [e for e in delta.entries.values() if index.get(self.part, e.path) != e]
        return bool(changed or delta.removed or delta.doubtful)

    def baseline(self, bound_to: str) -> bytes:
        """Return what the next capture should start from, b"" for nothing."""
        return self._detector.remember(bound_to)

    def open(self, entry: Entry) -> int:
        """Open an entry's content; the caller closes."""
        return self._scanner.open(entry)

    def path(self, entry: Entry) -> Path:
        """Return a path by which rsync can read the same content.

        It leads through our open directory, so that what is mounted over it is not in the way.
        """
        top = Path(f"/proc/{os.getpid()}/fd/{self._scanner.root}")
        return top / os.fsdecode(entry.path)

    def is_same(self, entry: Entry, handle: int) -> bool:
        """Whether the open file still is what the entry says."""
        return self._scanner.is_same(entry, handle)

    def older(self, entry: Entry) -> bytes:
        """Return the digest of an older content at the same path, b"" for none."""
        return self._older.get(entry.path, b"")

    def _note_older(self, index: Index, entry: Entry | Removal) -> None:
        """Remember the older content of a large file, while the index still has it."""
        if isinstance(entry, Removal):
            return
        if entry.type is EntryType.FILE and entry.size >= BASIS_FROM and not entry.digest:
            known = index.get(self.part, entry.path)
            if known is not None and known.digest:
                self._older[entry.path] = known.digest


@contextmanager
def _named(entry: Entry) -> Iterator[None]:
    """Say which file it is that cannot be copied to memory."""
    try:
        yield
    except PauseError as error:
        raise type(error)(f"{paths.display(entry.path)}: {error}", hint=error.hint) from error


class SpooledPlace:
    """Contents that the pause copied to memory: whole, or of a file that is followed in part."""

    def __init__(
        self,
        part: int,
        spooled: dict[bytes, Spooled],
        older: dict[bytes, bytes],
        in_pieces: dict[int, FileInPause] | None = None,
    ) -> None:
        self.part = part
        self._pieces = in_pieces or {}
        self._spooled = spooled
        self._older = older

    def open(self, entry: Entry) -> int:
        """Open an entry's content; the caller closes. FileNotFoundError when it has none here."""
        return os.open(self.path(entry), os.O_RDONLY | os.O_CLOEXEC)

    def in_pieces(self, entry: Entry) -> FileInPause | None:
        """Return what the pause took of a file that is followed; None if it took it whole."""
        return self._pieces.get(entry.seen.inode)

    def path(self, entry: Entry) -> Path:
        """Return the file in memory with the entry's content."""
        found = self._spooled.get(entry.path)
        if found is None:
            raise FileNotFoundError(entry.path)
        return found.path

    def is_same(self, entry: Entry, handle: int) -> bool:
        """Whether the content in memory has the size that the entry says."""
        return os.fstat(handle).st_size == entry.size

    def older(self, entry: Entry) -> bytes:
        """Return the digest of an older content at the same path, b"" for none."""
        return self._older.get(entry.path, b"")
