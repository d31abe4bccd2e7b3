"""What a rebuild changes in the files of a capture: laid over its entries and contents.

The writers see one stream of entries and one place of contents; nothing is written twice.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.model.entries import EntryType, Omitted
from holdstill.system import sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.model.entries import Entry
    from holdstill.model.pieces import Part
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.rebuild.boot.captured_card import EntryLookup


@dataclass(frozen=True)
class Overlay:
    """What is otherwise than in the capture, by partition and path.

    Attributes:
        files: those with another content.
        removed: those that are not to be there.
        lost: those that are left out because their contents are damaged.
    """

    files: dict[tuple[int, bytes], bytes] = field(default_factory=dict)
    removed: frozenset[tuple[int, bytes]] = frozenset()
    lost: frozenset[tuple[int, bytes]] = frozenset()

    def adjusted(self, part: int, entries: Iterable[Entry]) -> Iterator[Entry]:
        """Pass the entries of a partition on as they are to be written."""
        missing = self.removed | self.lost
        if not self.files and not missing:
            return iter(entries)
        return self._adjusted(part, entries, missing)

    def _adjusted(
        self, part: int, entries: Iterable[Entry], missing: frozenset[tuple[int, bytes]]
    ) -> Iterator[Entry]:
        for entry in entries:
            place = (part, entry.path)
            if place in missing and entry.type is EntryType.FILE:
                continue
            content = self.files.get(place)
            yield entry if content is None else _with_content(entry, content)

    def over_entries(self, entries: EntryLookup) -> EntriesLaidOver:
        """Return the entries as they are to be, to be looked up by their paths."""
        return EntriesLaidOver(entries, self)

    def over(self, contents: ContentSource) -> LaidOver:
        """Return the contents, the changed ones among them."""
        own = {sparse_copy.digest_of(content): content for content in self.files.values()}
        return LaidOver(contents, own)


@dataclass(frozen=True)
class EntriesLaidOver:
    """The entries of a capture as they are to be written."""

    below: EntryLookup
    overlay: Overlay

    def parts(self) -> Iterable[int]:
        """Return the partitions that have entries."""
        return self.below.parts()

    def get(self, part: int, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""
        found = self.below.get(part, path)
        return None if found is None else next(self.overlay.adjusted(part, [found]), None)

    def children_after(
        self, part: int, directory: bytes, *, after: bytes, limit: int
    ) -> list[Entry]:
        """Return the first entries in a directory behind a name, in name order."""
        below = self.below.children_after(part, directory, after=after, limit=limit)
        return list(self.overlay.adjusted(part, below))


def _with_content(entry: Entry, content: bytes) -> Entry:
    """Return an entry with another content; it is no other name of any file any more."""
    return entry._replace(
        size=len(content), digest=sparse_copy.digest_of(content), sparse=0, link=0,
        omitted=Omitted.NOTHING,
    )  # fmt: skip


@dataclass(frozen=True)
class LaidOver:
    """Contents of a capture with some of our own before them."""

    below: ContentSource
    own: dict[bytes, bytes]

    def open(self, digest: bytes) -> int:
        """Return a descriptor of a content (SHA-256, 32 bytes), which the caller closes."""
        content = self.own.get(digest)
        return self.below.open(digest) if content is None else _in_memory(content)

    def prefetch_pieces(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Yield the same parts: files of our own are small, and have none."""
        return self.below.prefetch_pieces(parts)


def _in_memory(content: bytes) -> int:
    handle = os.memfd_create("holdstill-overlay", os.MFD_CLOEXEC)
    try:
        sparse_copy.write_all_at(handle, 0, content)
    except BaseException:
        os.close(handle)
        raise
    return handle
