"""A system that is in a folder of its partition: the folder as the tree that it sees as /."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.model.entries import EntryType

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry
    from holdstill.rebuild.boot.card import BootCard, BootTree, BootVolume

LOOKED_THROUGH, DEEPEST = 500, 5
"""Folders in which a system is looked for, and the names on the way to it."""
_OF_PROGRAMS = frozenset({b"usr", b"bin", b"sbin"})
"""One of which every system has at its top, beside /etc (Filesystem Hierarchy Standard 3.0, 3.2);
some make /dev and others when they start."""


@dataclass(frozen=True)
class FolderTree:
    """The files in a folder of another tree, by their paths from there."""

    tree: BootTree
    folder: bytes

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""
        found = self.tree.find(self._outside(path))
        return self._inside(found) if found else None

    def children(self, path: bytes) -> list[Entry]:
        """Return the entries in a directory, in name order."""
        return [self._inside(entry) for entry in self.tree.children(self._outside(path))]

    def read(self, path: bytes, *, limit: int) -> bytes:
        """Return the content of a regular file of at most limit bytes."""
        return self.tree.read(self._outside(path), limit=limit)

    def _outside(self, path: bytes) -> bytes:
        return paths.join(self.folder, path) if path else self.folder

    def _inside(self, entry: Entry) -> Entry:
        directory, name = paths.split(entry.path[len(self.folder) :].lstrip(b"/"))
        return entry._replace(directory=directory, name=name)


def entered(volume: BootVolume, folder: bytes) -> BootVolume:
    """Return a partition as the system sees it whose / is a folder of it; b"" is its top."""
    if not folder or volume.tree is None:
        return volume
    return replace(volume, tree=FolderTree(volume.tree, folder))


def systems(card: BootCard, volume: BootVolume) -> list[bytes]:
    """Return the folders of a root partition that may be what its system sees as /.

    That is the one that is known of a capture; else those that look like it: the top (b"") alone
    if it does, and else what is below.
    """
    if card.system_at and card.system_at[0] == volume.number:
        return [card.system_at[1]]
    tree = volume.tree
    if tree is None or _is_system(tree.children(b"")):
        return [b""]
    return list(_systems(tree))


def _systems(tree: BootTree) -> Iterator[bytes]:
    looked, todo = 0, [b""]
    while todo and looked < LOOKED_THROUGH:
        here = todo.pop(0)
        looked += 1
        inside = tree.children(here)
        if here and _is_system(inside):
            yield here  # and what is in it is its own
        elif here.count(b"/") + bool(here) < DEEPEST:
            todo += [entry.path for entry in inside if entry.type is EntryType.DIRECTORY]


def _is_system(inside: list[Entry]) -> bool:
    names = {entry.name for entry in inside}
    return b"etc" in names and not names.isdisjoint(_OF_PROGRAMS)
