"""The tree of a capture: hard links to contents, so that people find files by their names.

Regular files and directories only. Memory stays flat: entries come in key order, in which every
directory comes before what is in it.
"""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass, field
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.model import paths
from holdstill.model.names import Digest
from holdstill.records import index_file
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.records.index_queries import PlacedEntry

    _Make = Callable[[PlacedEntry, int, "TreeResult"], None]

_CANNOT_HOLD = frozenset({errno.ENAMETOOLONG, errno.EINVAL, errno.EILSEQ, errno.EEXIST})
"""What a file system answers to a name it cannot keep; EEXIST where case does not count."""
WARNINGS_SHOWN = 20


@dataclass
class TreeResult:
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
        """Return the names that this store's file system cannot hold."""
        shown = [
            f"not in the tree, this file system cannot hold the name: {paths.display(path)}"
            for path in self.left_out[:WARNINGS_SHOWN]
        ]
        more = len(self.left_out) - len(shown)
        return (*shown, f"and {more} more") if more > 0 else tuple(shown)


def lay_out(store: Store, tree: Path, index_path: Path) -> TreeResult:
    """Make tree/<part>/... for an index that was checked; tree must not exist.

    Where there are no hard links there is no tree: then contents must be there all the same.
    """
    layout = TreeResult()
    with store.using_contents(), index_file.opened(index_path) as index:
        if not store.facts.abilities.hard_links:
            for digest, size in index.digests():
                _look(store, digest, size, layout)
            return layout
        store.disk.make_directory(tree)
        for part in index.parts():
            top = tree / str(part)
            store.disk.make_directory(top)
            with files.opened(top, os.O_RDONLY | os.O_DIRECTORY) as handle:
                hand = TreeWriter(store, handle)
                hand.make_directories(index.folders(part), layout)
                hand.link(index.files(part), layout)
    return layout


def grow(store: Store, top: int, layout: TreeResult, added: Iterable[PlacedEntry]) -> None:
    """Add entries, in key order, to the tree of a part whose open folder is top."""
    hand = TreeWriter(store, top)
    hand.make_directories((entry for entry in added if not entry.digest), layout)
    hand.link((entry for entry in added if entry.digest), layout)


@dataclass(frozen=True)
class TreeWriter:
    """Makes names below the folder of one part.

    One at a time: a content's link count is valid only while no other process links it.
    """

    store: Store
    top: int

    def make_directories(self, entries: Iterable[PlacedEntry], came_to: TreeResult) -> None:
        """Make directories, which come parents first."""
        for directory, group in groupby(entries, key=attrgetter("directory")):
            self._in_directory(directory, group, came_to, self._make)

    def link(self, entries: Iterable[PlacedEntry], came_to: TreeResult) -> None:
        """Link files into their directories."""
        for directory, group in groupby(entries, key=attrgetter("directory")):
            self._in_directory(directory, group, came_to, self._link)

    def _in_directory(
        self, directory: bytes, entries: Iterable[PlacedEntry], came_to: TreeResult, make: _Make
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

    def _make(self, entry: PlacedEntry, at: int, came_to: TreeResult) -> None:
        del came_to
        self.store.disk.make_directory_at(entry.name, at)

    def _link(self, entry: PlacedEntry, at: int, came_to: TreeResult) -> None:
        digest = entry.digest.hex()
        try:
            self.store.contents.link(digest, entry.name, at)
        except FileNotFoundError:
            came_to.lacking[digest] = None
            return
        found = os.stat(entry.name, dir_fd=at, follow_symlinks=False)
        _check_size(entry.digest, found.st_size, entry.size)
        if found.st_nlink == 2:  # the store's name and this one: nobody had it before
            came_to.new_bytes += found.st_size

    def _leave_out(self, entry: PlacedEntry, came_to: TreeResult, error: OSError) -> None:
        """A file that has no place in the tree must be in the store all the same."""
        if error.errno not in {*_CANNOT_HOLD, errno.ENOENT, errno.ENOTDIR}:
            raise error
        came_to.left_out.append(paths.join(entry.directory, entry.name))
        if entry.digest:
            _look(self.store, entry.digest, entry.size, came_to)


def _look(store: Store, digest: bytes, size: int, layout: TreeResult) -> None:
    """Make sure that a content is in the store, in its size."""
    try:
        found = store.contents.path(Digest(digest.hex())).lstat().st_size
    except FileNotFoundError:
        layout.lacking[digest.hex()] = None
    else:
        _check_size(digest, found, size)


def _check_size(digest: bytes, found: int, wanted: int) -> None:
    if found != wanted:
        raise SecurityError(
            f"index: content {digest.hex()} has {found} bytes, the index says {wanted}"
        )
