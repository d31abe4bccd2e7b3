"""A tree begun ahead of its capture: that of the newest one, laid out once more.

Most files of a board are unchanged the next night. So the keeper links the newest capture's files
once more: that of a large board after it was sealed and the board has gone, any other while the
board is scanning for changes. When the new index is here, only the differences are left
to do. Nothing depends on it: whatever goes wrong here, the tree is laid out again from the new
index alone.

It is in STORE/boards/<board>/ahead/ under the name of the capture that it repeats, and appears
there by one rename, whole. One that was not used serves the next run.
"""

from __future__ import annotations

import fcntl
import os
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from threading import Event
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import HoldstillError
from holdstill.keeper import capture_tree, capture_tree_copy
from holdstill.keeper.capture_tree import TreeResult
from holdstill.records import index_file
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.model.names import BoardName
    from holdstill.records.index_queries import PlacedEntry

CHANGES_MAX = 50_000
"""With more differences than this, laying out again is as quick, and memory stays flat."""
LARGE = 20_000
"""Entries from which on a board would be kept waiting."""
POLL = 0.05
"""Seconds between two checks of whether another process has finished."""


class TreeBase(NamedTuple):
    """A sealed capture: its name, the digest of its index, and where that is."""

    name: str
    digest: str
    index_path: Path


class Changes(NamedTuple):
    """What differs in a part: what to take away, and what to add, both in key order."""

    removed: list[PlacedEntry]
    added: list[PlacedEntry]


@dataclass
class TreePreparer:
    """One tree in the making.

    Attributes:
        base: the capture that it repeats.
        place: where it will be.
        lock: held while a tree of this board is made.
    """

    store: Store
    base: TreeBase
    place: Path
    lock: Path
    _stop: Event = field(default_factory=Event)
    _pool: ThreadPoolExecutor | None = None

    def start(self) -> None:
        """Begin; where the disk takes one call at a time, it is done when this returns."""
        if self.place.is_dir():
            return
        if self.store.disk.hands == 1:
            self.make()
            return
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="ahead")
        self._pool.submit(self.make)

    def stop(self) -> None:
        """Leave it where it is; what is whole serves the next run."""
        self._stop.set()
        self._await()

    def _await(self) -> None:
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    def make(self) -> None:
        """Make it, or wait for the process that does; whether it worked shows at its place."""
        draft = self.place.with_name(_draft_of(self.base.name))
        with suppress(HoldstillError, OSError), self._alone() as is_mine:
            if not is_mine or self.place.is_dir():
                return
            self.store.discard(draft)
            if files.hash_file(self.base.index_path).hex() != self.base.digest:
                return  # that disk has lost bytes: from here on, no name on it can be trusted
            if capture_tree_copy.repeat(self.store, draft, self.base.index_path, stop=self._stop):
                self.store.disk.rename_new(draft, self.place)
            else:
                self.store.discard(draft)

    @contextmanager
    def _alone(self) -> Iterator[bool]:
        """Be the only process that makes a tree for this board; False when stopped before."""
        flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
        handle = os.open(self.lock, flags, 0o600)
        try:
            yield self._is_locked(handle)
        finally:
            os.close(handle)

    def _is_locked(self, handle: int) -> bool:
        while not self._stop.is_set():
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                self._stop.wait(POLL)
            else:
                return True
        return False

    def take(self, tree: Path, index_path: Path, digest: str) -> TreeResult | None:
        """Make it the tree of a capture with this index, which was checked.

        Returns:
            What that came to; None when it did not work out, and nothing is at `tree` then.
        """
        self._await()
        try:
            self.store.disk.rename_new(self.place, tree)
        except OSError:  # it was not made, or was removed
            return None
        try:
            layout = TreeResult()
            if digest != self.base.digest and not self._change(tree, index_path, layout):
                self.store.discard(tree)
                return None
        except OSError:
            self.store.discard(tree)
            return None
        return layout

    def _change(self, tree: Path, index_path: Path, layout: TreeResult) -> bool:
        """Do the differences; return whether they were few enough."""
        with (
            self.store.using_contents(),
            index_file.opened(self.base.index_path) as old,
            index_file.opened(index_path) as new,
        ):
            for part in sorted({*old.parts(), *new.parts()}):
                changes = compare(old.placed(part), new.placed(part))
                if changes is None:
                    return False
                top = tree / str(part)
                if not top.is_dir():
                    self.store.disk.make_directory(top)
                with files.opened(top, os.O_RDONLY | os.O_DIRECTORY) as handle:
                    for entry in reversed(changes.removed):  # what is in a directory before it
                        at = files.open_beneath(
                            handle, entry.directory, os.O_RDONLY | os.O_DIRECTORY
                        )
                        try:
                            if entry.digest:
                                self.store.disk.unlink_at(entry.name, at)
                            else:
                                self.store.disk.remove_directory_at(entry.name, at)
                        finally:
                            os.close(at)
                    capture_tree.grow(self.store, handle, layout, changes.added)
            for part in set(old.parts()).difference(new.parts()):
                self.store.disk.remove_tree(tree / str(part))
        return True


def compare(old: Iterable[PlacedEntry], new: Iterable[PlacedEntry]) -> Changes | None:
    """Return how two parts differ, in key order; None for more than CHANGES_MAX differences."""
    changes = Changes([], [])
    for before, after in _side_by_side(iter(old), iter(new)):
        if before == after:
            continue
        if before is not None and after is not None and not before.digest and not after.digest:
            continue
        if before is not None:
            changes.removed.append(before)
        if after is not None:
            changes.added.append(after)
        if len(changes.removed) + len(changes.added) > CHANGES_MAX:
            return None
    return changes


def _side_by_side(
    old: Iterator[PlacedEntry], new: Iterator[PlacedEntry]
) -> Iterator[tuple[PlacedEntry | None, PlacedEntry | None]]:
    """Yield what is at each place before and after."""
    before, after = next(old, None), next(new, None)
    while before is not None or after is not None:
        order = _order(before, after)
        yield (before if order <= 0 else None), (after if order >= 0 else None)
        if order <= 0:
            before = next(old, None)
        if order >= 0:
            after = next(new, None)


def _order(before: PlacedEntry | None, after: PlacedEntry | None) -> int:
    """Return -1, 0 or 1: which of the two has the smaller key; nothing comes last."""
    if before is None or after is None:
        return 1 if before is None else -1
    here, there = (before.directory, before.name), (after.directory, after.name)
    return (here > there) - (here < there)


def begin(store: Store, board: BoardName, base: TreeBase | None) -> TreePreparer | None:
    """Begin the tree of a board's next capture; the run lock is held."""
    clear(store, board, keep=base.name if base else "")
    ahead = _ahead(store, board, base)
    if ahead is not None:
        ahead.start()
    return ahead


def prepare(store: Store, board: BoardName, base: TreeBase | None) -> None:
    """Make the tree of a board's next capture; no lock is held, and no caller waits."""
    ahead = _ahead(store, board, base)
    if ahead is not None:
        ahead.make()


def _ahead(store: Store, board: BoardName, base: TreeBase | None) -> TreePreparer | None:
    if base is None or not store.facts.abilities.hard_links:
        return None
    folder = store.board_folder(board) / "ahead"
    if not folder.is_dir():
        store.disk.make_directory(folder)
    return TreePreparer(store, base, folder / base.name, folder.with_name("ahead.lock"))


def clear(store: Store, board: BoardName, *, keep: str = "") -> None:
    """Take away what was begun for a board and is of no use any more.

    The tree of a capture that is named may stay, even if it is still in the making.
    """
    folder = store.board_folder(board) / "ahead"
    kept = {keep, _draft_of(keep)} if keep else frozenset()
    if folder.is_dir():
        for item in sorted(folder.iterdir()):
            if item.name not in kept:
                store.discard(item)


def _draft_of(name: str) -> str:
    return f"{name}.part"
