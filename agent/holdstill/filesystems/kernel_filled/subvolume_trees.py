"""The trees of a btrfs that has subvolumes: its top, and one for each of them."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.model import paths
from holdstill.model.entries import key

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from holdstill.model.entries import Entry
    from holdstill.model.layout import Subvolume

Entries = Callable[[], Iterable["Entry"]]
"""Gives a stream of entries in key order, each time anew."""
_LINK_STEP = 1 << 40
"""Further than any inode number in one tree; in an index, numbers go up to 2**63."""


@dataclass(frozen=True)
class SubvolumeTree:
    """A subvolume that is to be made and filled.

    Attributes:
        entries: of it, whose contents are requested as they come; again: the same without that.
        heads: what is at the beginning of files whose content was omitted, by path.
    """

    kind: Subvolume
    entries: Entries
    again: Entries
    heads: Mapping[bytes, bytes] = field(default_factory=dict)

    @property
    def path(self) -> bytes:
        """Where it is, from the top of the file system."""
        return self.kind.path.encode()


def in_order(trees: Iterable[SubvolumeTree]) -> list[SubvolumeTree]:
    """Return them sorted: each behind the one that it is in."""
    return sorted(trees, key=lambda tree: tree.path.split(b"/"))


def as_one(top: Iterable[Entry], trees: Sequence[SubvolumeTree]) -> Iterable[Entry]:
    """Return all entries as if subvolumes were directories, in key order: for their sizes."""
    if not trees:
        return top
    streams = [_below(tree, number) for number, tree in enumerate(trees, start=1)]
    return heapq.merge(top, *streams, key=key)


def _below(tree: SubvolumeTree, number: int) -> Iterator[Entry]:
    """Yield the entries of a subvolume as they are called from the top."""
    for entry in tree.again():
        if not entry.path:
            directory, name = paths.split(tree.path)
        else:
            directory = paths.join(tree.path, entry.directory) if entry.directory else tree.path
            name = entry.name
        link = entry.link + number * _LINK_STEP if entry.link else 0
        yield entry._replace(directory=directory, name=name, link=link)
