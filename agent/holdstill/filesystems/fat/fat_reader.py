"""FAT12, FAT16 and FAT32, read from raw bytes.

Layout: Microsoft, FAT: General Overview of On-Disk Format 1.03. Where that leaves a choice we do
as Linux fs/fat does by default, with names in UTF-8, since a board's capture saw the files
through it: short names follow their case bits, dates are arithmetic, the root has no date.
Times are taken as UTC. The bytes may come from anybody: reading ends, with an error of ours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import SecurityError, VerificationError
from holdstill.filesystems import file_tree
from holdstill.filesystems.file_tree import Content
from holdstill.model import layout, paths, pieces
from holdstill.model.entries import Entry, EntryType

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.filesystems.hash_worker import Hasher

from holdstill.filesystems.fat.fat_clusters import FatClusters
from holdstill.filesystems.fat.fat_slots import (
    DIRECTORY,
    DOT_NAMES,
    END,
    FREE,
    LABEL,
    LONG_NAME,
    SLOT,
    LongName,
    Node,
    parse_slot,
)

KEPT_ATTRIBUTES = 0x27
"""Read-only, hidden, system and archive: what a rebuild restores."""
_DIRTY = 0x01
_SLOTS_MAX = 65536
"""Entries of one directory: 2 MiB (1.03, section 6)."""


class FatReader(FatClusters):
    """A file system in a source. It caches what it read: make a new one to read again."""

    def parameters(self) -> layout.Fat:
        """Return what is needed to make the same file system again, empty."""
        boot = self.boot
        label = self._root_label()
        text = (boot.label if label is None else label).rstrip(b"\0 ").decode("cp437")
        shown_label = "" if text == "NO NAME" else text
        return layout.Fat(
            bits=boot.bits,
            volume_id=boot.volume_id,
            label=shown_label,
            sector_size=boot.sector_size,
            sectors_per_cluster=boot.sectors_per_cluster,
            reserved_sectors=boot.reserved_sectors,
            fats=boot.fats,
            root_entries=boot.root_entries,
            sectors=boot.sectors,
            clusters=boot.clusters,
            used_clusters=self._used_clusters(),
            hidden_sectors=boot.hidden_sectors,
            media=boot.media,
            oem=boot.oem.rstrip(b"\0 ").decode(errors="backslashreplace"),
        )

    @property
    def is_dirty(self) -> bool:
        """Whether it was not unmounted: Linux' mark in the boot sector, or that of others."""
        if self.boot.state & _DIRTY:
            return True
        bit = {12: 0, 16: 0x8000, 32: 0x08000000}[self.boot.bits]
        return bool(bit) and not self._table_entry(1) & bit

    def _root_label(self) -> bytes | None:
        """Return the label in the root directory, which counts more than the boot sector's."""
        for slot in self._slots(0):
            name, extension, attributes, *_ = SLOT.unpack(slot)
            if attributes != LONG_NAME and attributes & (LABEL | DIRECTORY) == LABEL:
                return bytes(name + extension)
        return None

    def _slots(self, cluster: int, budget: file_tree.ReadLimit | None = None) -> Iterator[bytes]:
        """Yield the 32-byte entries of a directory; cluster 0 is the root."""
        for count, slot in enumerate(self._all_slots(cluster, budget or self._own_budget())):
            if slot[0] == END:
                return
            if count >= _SLOTS_MAX:
                raise SecurityError("a directory has more entries than a FAT allows")
            if slot[0] != FREE:
                yield slot

    def _all_slots(self, cluster: int, budget: file_tree.ReadLimit) -> Iterator[bytes]:
        boot = self.boot
        first = cluster or boot.root_cluster
        if first:
            runs = self._cluster_runs(first, budget)
        else:
            start = boot.first_root_sector * boot.sector_size
            runs = iter([self._bytes(start, boot.root_entries * 32)])
        for run in runs:
            for at in range(0, len(run), 32):
                yield run[at : at + 32]

    def nodes(self, cluster: int, budget: file_tree.ReadLimit) -> list[Node]:
        """Return what is in a directory, in the order of names."""
        found = []
        long_name = LongName()
        for slot in self._slots(cluster, budget):
            if slot[11] & 0x3F == LONG_NAME:
                long_name.add(slot)
                continue
            name = long_name.take(slot)
            if not slot[11] & LABEL and slot[:11] not in DOT_NAMES:
                found.append(parse_slot(slot, name, self.boot.bits))
        return sorted(found)

    def _find(self, path: bytes) -> tuple[bytes, Node] | None:
        """Return a node and its true path; the case of letters is ignored in the requested one."""
        directory, node = b"", Node(b"", DIRECTORY, 0, 0, 0)
        for name in path.split(b"/") if path else ():
            if not node.is_directory:
                return None
            directory, wanted = paths.join(directory, node.name), _folded(name)
            nodes = self.nodes(node.cluster, self._own_budget())
            found = next((n for n in nodes if _folded(n.name) == wanted), None)
            if found is None:
                return None
            node = found
        return directory, node

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, without digest, or None; the case of letters is ignored."""
        found = self._find(path)
        return None if found is None else _entry(*found)

    def _file(self, path: bytes) -> Node:
        found = self._find(path)
        if found is None or found[1].is_directory:
            raise VerificationError(f"{paths.display(path)!r} is no regular file")
        return found[1]

    def children(self, path: bytes) -> list[Entry]:
        """Return the entries in a directory, without digests, in name order."""
        found = self._find(path)
        if found is None or not found[1].is_directory:
            return []
        true_path = paths.join(found[0], found[1].name)
        nodes = self.nodes(found[1].cluster, self._own_budget())
        file_tree.checked_names(true_path, (node.name for node in nodes))
        return [_entry(true_path, node) for node in nodes]

    def read(self, path: bytes, *, limit: int) -> bytes:
        """Return the content of a regular file of at most limit bytes.

        Raises:
            VerificationError: there is no such file, or it is larger.
        """
        node = self._file(path)
        if node.size > limit:
            raise VerificationError(f"{paths.display(path)!r} is larger than {limit} bytes")
        return b"".join(self.content(node, self._own_budget()))

    def read_file(self, path: bytes) -> Iterator[bytes]:
        """Yield the content of a regular file.

        Raises:
            VerificationError: there is no such file, or it is damaged.
        """
        yield from self.content(self._file(path), self._own_budget())

    def entries(
        self,
        content: Content,
        *,
        logical_max: int = file_tree.LOGICAL_MAX,
        hasher: Hasher | None = None,  # noqa: ARG002  a FAT is small
    ) -> Iterator[Entry]:
        """Yield every entry in key order, the root first.

        Raises:
            VerificationError: it is damaged.
            SecurityError: it is made to mislead: loops, names with slashes, shared clusters.
        """
        walk = _FatWalk(
            self, content, file_tree.ReadLimit(blocks=self.boot.clusters, logical=logical_max)
        )
        yield Entry(b"", b"", EntryType.DIRECTORY)
        yield from file_tree.in_key_order(0, walk.listing)


class _FatWalk:
    """One pass over all directories."""

    def __init__(self, volume: FatReader, content: Content, budget: file_tree.ReadLimit) -> None:
        self._volume = volume
        self._content = content
        self._budget = budget

    def listing(self, path: bytes, cluster: int) -> Iterator[tuple[Entry, int | None]]:
        """Yield what is in a directory, each directory with its first cluster.

        A directory that is its own ancestor is met until the clusters are spent.
        """
        nodes = self._volume.nodes(cluster, self._budget)
        file_tree.checked_names(path, (node.name for node in nodes))
        for node in nodes:
            digest = b"" if node.is_directory else self._digest(node)
            entry = _entry(path, node)._replace(digest=digest)
            if node.is_directory and not node.cluster:
                raise SecurityError(f"directory {paths.display(entry.path)!r} leads to the root")
            yield entry, node.cluster if node.is_directory else None

    def _digest(self, node: Node) -> bytes:
        if self._content is Content.SKIPPED or not node.size:
            return b""
        total = pieces.ContentHash(node.size)
        for chunk in self._volume.content(node, self._budget):
            total.update(chunk)
        return total.digest()


def _entry(directory: bytes, node: Node) -> Entry:
    kind = EntryType.DIRECTORY if node.is_directory else EntryType.FILE
    return Entry(
        directory,
        node.name,
        kind,
        size=0 if node.is_directory else node.size,
        mtime_ns=node.mtime_ns,
        flags=node.attributes & KEPT_ATTRIBUTES,
    )


def _folded(name: bytes) -> str:
    return name.decode(errors="surrogateescape").casefold()
