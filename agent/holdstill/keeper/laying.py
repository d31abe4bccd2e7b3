"""The tree of a capture: hard links to contents, so that people find files by their names.

Regular files and directories only. A tree that is repeated is laid out by several hands at once:
most of the time is the kernel's. Memory stays flat: entries come in key order, a batch at a time.
"""

from __future__ import annotations

import errno
import itertools
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.model import paths
from holdstill.model.names import Digest
from holdstill.records import index as indexes
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path
    from threading import Event

    from holdstill.keeper.store import Store
    from holdstill.records.index import Index, Placed

    _Make = Callable[[Placed, int, "Layout"], None]

_CANNOT_HOLD = frozenset({errno.ENAMETOOLONG, errno.EINVAL, errno.EILSEQ, errno.EEXIST})
"""What a file system answers to a name it cannot keep; EEXIST where case does not count."""
WARNINGS_SHOWN = 20
BATCH = 20_000
"""Links that are made in a go: a few megabytes of entries."""


@dataclass
class Layout:
    """What laying out a tree came to.

    Attributes:
        lacking: contents that are not in the store.
        new_bytes: of contents that no capture had before.
        left_out: paths that the store's file system cannot hold.
    """

    lacking: dict[str, None] = field(default_factory=dict)
    new_bytes: int = 0
    left_out: list[bytes] = field(default_factory=list)

    def warnings(self) -> tuple[str, ...]:
        """Say which names this store's file system could not hold."""
        shown = [
            f"not in the tree, this file system cannot hold the name: {paths.display(path)}"
            for path in self.left_out[:WARNINGS_SHOWN]
        ]
        more = len(self.left_out) - len(shown)
        return (*shown, f"and {more} more") if more > 0 else tuple(shown)

    def add(self, other: Layout) -> None:
        """Count in what a part of it came to."""
        self.lacking |= other.lacking
        self.new_bytes += other.new_bytes
        self.left_out += other.left_out


def lay_out(store: Store, tree: Path, index_path: Path) -> Layout:
    """Make tree/<part>/... for an index that was checked; tree must not exist.

    Where there are no hard links there is no tree: then contents must be there all the same.
    """
    layout = Layout()
    with store.using_contents(), indexes.opened(index_path) as index:
        if not store.facts.abilities.hard_links:
            _look_only(store, index, layout)
            return layout
        _each_part(_Hand, store, tree, layout, index.parts(), index.placed)
    return layout


def repeat(store: Store, tree: Path, index_path: Path, *, stop: Event) -> Layout:
    """Make the tree of a sealed capture once more, its contents unjudged.

    Args:
        store: has the contents, and allows hard links.
        tree: must not exist.
        index_path: says what there is.
        stop: set by whoever does not want it any more; then it stays unfinished.
    """
    layout = Layout()
    with store.using_contents(), indexes.opened(index_path) as index:

        def entries(part: int) -> Iterator[Placed]:
            return itertools.takewhile(lambda _: not stop.is_set(), index.placed(part))

        _each_part(_RepeatingHand, store, tree, layout, index.parts(), entries)
    return layout


def _each_part(
    kind: type[_Hand],
    store: Store,
    tree: Path,
    layout: Layout,
    parts: Iterable[int],
    entries: Callable[[int], Iterator[Placed]],
) -> None:
    store.disk.make_directory(tree)
    for part in parts:
        top = tree / str(part)
        store.disk.make_directory(top)
        with files.opened(top, os.O_RDONLY | os.O_DIRECTORY) as handle:
            _grow(kind(store, handle), layout, partial(entries, part))


def grow(store: Store, top: int, layout: Layout, entries: Callable[[], Iterable[Placed]]) -> None:
    """Add entries to the tree of a part.

    Args:
        store: has the contents.
        top: the open folder of the part.
        layout: is told what it came to.
        entries: gives a fresh stream of them, in key order, each time it is called.
    """
    _grow(_Hand(store, top), layout, entries)


def _grow(hand: _Hand, layout: Layout, entries: Callable[[], Iterable[Placed]]) -> None:
    hands = hand.hands
    folders = (entry for entry in entries() if not entry.digest)
    while batch := list(itertools.islice(folders, BATCH)):
        for _, level in groupby(sorted(batch, key=_depth), key=_depth):  # parents before children
            for came_to in _by_many_hands(hand.make_directories, list(level), hands=hands):
                layout.add(came_to)
    files_only = (entry for entry in entries() if entry.digest)
    while batch := list(itertools.islice(files_only, BATCH)):
        for came_to in _by_many_hands(hand.link, batch, hands=hands):
            layout.add(came_to)


def _depth(entry: Placed) -> int:
    return entry.directory.count(b"/") + bool(entry.directory)


def _by_many_hands(
    work: Callable[[Sequence[Placed]], Layout], batch: Sequence[Placed], *, hands: int
) -> Iterator[Layout]:
    """Do a batch, and yield what its pieces came to, in their order.

    Nothing else runs meanwhile: the hands are in the kernel most of the time, and a thread that
    computes would keep them waiting for the interpreter whenever they come back.
    """
    if hands == 1:
        yield work(batch)
        return
    piece = -(-len(batch) // hands)
    with ThreadPoolExecutor(hands, thread_name_prefix="laying") as pool:
        yield from pool.map(work, (batch[at : at + piece] for at in range(0, len(batch), piece)))


@dataclass(frozen=True)
class _Hand:
    """Makes names below the folder of one part.

    One at a time: what a content's link count says holds only while no other hand links it.
    """

    store: Store
    top: int

    @property
    def hands(self) -> int:
        """How many may work on one part."""
        return 1

    def make_directories(self, entries: Iterable[Placed]) -> Layout:
        """Make directories, which come parents first."""
        came_to = Layout()
        for directory, group in groupby(entries, key=attrgetter("directory")):
            self._in_directory(directory, group, came_to, self._make)
        return came_to

    def link(self, entries: Iterable[Placed]) -> Layout:
        """Link files into their directories."""
        came_to = Layout()
        for directory, group in groupby(entries, key=attrgetter("directory")):
            self._in_directory(directory, group, came_to, self._link)
        return came_to

    def _in_directory(
        self, directory: bytes, entries: Iterable[Placed], came_to: Layout, make: _Make
    ) -> None:
        try:
            at = files.open_beneath(self.top, directory, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:  # a parent that could not be made
            for entry in entries:
                self._leave_out(entry, came_to, error)
            return
        try:
            for entry in entries:
                try:
                    make(entry, at, came_to)
                except OSError as error:
                    self._leave_out(entry, came_to, error)
        finally:
            os.close(at)

    def _make(self, entry: Placed, at: int, came_to: Layout) -> None:
        del came_to
        self.store.disk.make_directory_at(entry.name, at)

    def _link(self, entry: Placed, at: int, came_to: Layout) -> None:
        digest = entry.digest.hex()
        try:
            self.store.contents.link(digest, entry.name, at)
        except FileNotFoundError:
            came_to.lacking[digest] = None
            return
        found = os.stat(entry.name, dir_fd=at, follow_symlinks=False)
        _insist_size(entry.digest, found.st_size, entry.size)
        if found.st_nlink == 2:  # the store's name and this one: nobody had it before
            came_to.new_bytes += found.st_size

    def _leave_out(self, entry: Placed, came_to: Layout, error: OSError) -> None:
        """A file that has no place in the tree must be in the store all the same."""
        if error.errno not in {*_CANNOT_HOLD, errno.ENOENT, errno.ENOTDIR}:
            raise error
        came_to.left_out.append(paths.join(entry.directory, entry.name))
        if entry.digest:
            _look(self.store, entry.digest, entry.size, came_to)


class _RepeatingHand(_Hand):
    """Links what was linked before: it need not be judged again, and several may do it."""

    @property
    def hands(self) -> int:
        """How many may work on one part."""
        return self.store.disk.hands

    def _link(self, entry: Placed, at: int, came_to: Layout) -> None:
        try:
            self.store.contents.link(entry.digest.hex(), entry.name, at)
        except FileNotFoundError:
            came_to.lacking[entry.digest.hex()] = None


def _look_only(store: Store, index: Index, layout: Layout) -> None:
    for digest, size in index.digests():
        _look(store, digest, size, layout)


def _look(store: Store, digest: bytes, size: int, layout: Layout) -> None:
    """Make sure that a content is in the store, in its size."""
    try:
        found = store.contents.path(Digest(digest.hex())).lstat().st_size
    except FileNotFoundError:
        layout.lacking[digest.hex()] = None
    else:
        _insist_size(digest, found, size)


def _insist_size(digest: bytes, found: int, wanted: int) -> None:
    if found != wanted:
        raise SecurityError(
            f"index: content {digest.hex()} has {found} bytes, the index says {wanted}"
        )
