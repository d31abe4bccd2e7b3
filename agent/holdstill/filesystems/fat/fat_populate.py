"""Files and directories into an empty FAT, one after the other, in flat memory.

Clusters are given out in order, so files are in one piece. Entries come by directory: a
directory's first cluster is set aside when its parent is written, and it is written when its
turn comes. Contents are hashed while they are copied. The tables are written at the end.
"""

from __future__ import annotations

import os
import struct
import sys
from array import array
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError, TargetRefusedError
from holdstill.filesystems import writer_input
from holdstill.filesystems.fat import fat_names
from holdstill.model import paths
from holdstill.model.entries import EntryType
from holdstill.system import sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from holdstill.filesystems.fat.fat_boot_sector import BootSector
    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource

KEPT_ATTRIBUTES = 0x27
"""Read-only, hidden, system, archive."""
_LAST = {12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF}
_FREE_COUNT_AT = 488


@dataclass(frozen=True)
class _FatDirectory:
    """A directory whose turn has not come.

    Attributes:
        cluster: its first one; 0 for a root that has a separate area.
        above: the first cluster of its parent; 0 for the root.
    """

    cluster: int
    above: int = 0
    mtime_ns: int = 0


class FatPopulator:
    """Puts entries into an empty FAT at an offset of an open file or device."""

    def __init__(
        self,
        target: int,
        offset: int,
        boot: BootSector,
        contents: ContentSource,
        progress: ByteCounter,
    ) -> None:
        self._target = target
        self._offset = offset
        self._boot = boot
        self._contents = contents
        self._progress = progress
        # The entries that mkfs.vfat has made: two reserved ones, and the root's.
        last = _LAST[self._boot.bits]
        media = (last & ~0xFF) | 0xF8
        raw = os.pread(self._target, 1, self._at(self._boot.reserved))
        first = [media & ~0xFF | raw[0], last]
        first_entries = [*first, last] if self._boot.bits == 32 else first
        self._chain = array("I", first_entries)
        self._folders: dict[bytes, _FatDirectory] = {b"": _FatDirectory(boot.root_cluster)}

    def fill(self, entries: Iterable[Entry]) -> None:
        """Put entries, in key order, into the file system.

        Raises:
            SecurityError: names that a FAT cannot hold, or not side by side.
            VerificationError: a content does not match its digest.
            TargetRefusedError: there is no room.
        """
        named = (entry for entry in entries if entry.name)
        for directory, group in groupby(named, key=lambda entry: entry.directory):
            self._write_directory(directory, list(group))
        for directory in list(self._folders):
            self._write_directory(directory, [])
        table = packed(self._chain, bits=self._boot.bits)
        for number in range(self._boot.fats):
            sector = self._boot.reserved + number * self._boot.fat_size
            sparse_copy.write_all_at(self._target, self._at(sector), table)
        free = self._boot.clusters + 2 - len(self._chain)
        for sector in self._boot.info_sectors:
            counts = struct.pack("<II", free, len(self._chain) - 1)
            sparse_copy.write_all_at(self._target, self._at(sector) + _FREE_COUNT_AT, counts)

    # Clusters.

    def _at(self, sector: int) -> int:
        return self._offset + sector * self._boot.sector_size

    def _allocate(self, count: int) -> int:
        """Reserve a piece of this many clusters; return the first."""
        first = len(self._chain)
        if first + count > self._boot.clusters + 2:
            raise TargetRefusedError(
                f"the FAT is full: it has {self._boot.clusters} clusters of "
                f"{self._boot.cluster_size} bytes",
                hint="give this partition more room",
            )
        self._chain.extend(range(first + 1, first + count))
        self._chain.append(_LAST[self._boot.bits])
        return first

    def _place(self, cluster: int) -> int:
        return self._offset + self._boot.place(cluster)

    # Directories.

    def _write_directory(self, path: bytes, entries: Sequence[Entry]) -> None:
        folder = self._folders.pop(path, None)
        if folder is None:
            shown = paths.display(path)
            raise SecurityError(f"{shown!r} has entries, but is no directory, or came twice")
        texts = _checked(entries)
        slots = [self._head(path, folder)]
        for entry, text, short in zip(entries, texts, fat_names.short_names(texts), strict=True):
            slots.append(fat_names.long_slots(text, short))
            slots.append(self._slot(entry, short, folder))
        self._put_slots(folder, b"".join(slots))

    def _head(self, path: bytes, folder: _FatDirectory) -> bytes:
        """Return what a directory begins with: the volume's label, or itself and its parent."""
        if path:
            return b"".join(
                fat_names.slot(
                    name.ljust(11),
                    attributes=fat_names.DIRECTORY,
                    cluster=cluster,
                    size=0,
                    mtime_ns=folder.mtime_ns,
                )
                for name, cluster in ((b".", folder.cluster), (b"..", folder.above))
            )
        boot = self._boot
        root_place = self._place(boot.root_cluster) if boot.root_cluster else self._at(
            boot.first_root_sector
        )  # fmt: skip
        label = os.pread(self._target, fat_names.SLOT, root_place)
        return label if label[11] & fat_names.LABEL else b""

    def _slot(self, entry: Entry, short: bytes, parent: _FatDirectory) -> bytes:
        attributes = entry.flags & KEPT_ATTRIBUTES
        if entry.type is EntryType.DIRECTORY:
            attributes |= fat_names.DIRECTORY
            cluster = self._allocate(1)
            above = 0 if parent.cluster == self._boot.root_cluster else parent.cluster
            self._folders[entry.path] = _FatDirectory(cluster, above, entry.mtime_ns)
        else:
            cluster = self._put_content(entry)
        return fat_names.slot(
            short,
            attributes=attributes,
            cluster=cluster,
            size=entry.size if entry.type is EntryType.FILE else 0,
            mtime_ns=entry.mtime_ns,
        )

    def _put_slots(self, folder: _FatDirectory, slots: bytes) -> None:
        if len(slots) > fat_names.SLOTS_MAX * fat_names.SLOT:
            raise TargetRefusedError("a directory has more names than a FAT can hold in one")
        if not folder.cluster:
            room = self._boot.root_entries * fat_names.SLOT
            if len(slots) > room:
                raise TargetRefusedError(
                    "the root directory has more names than its "
                    f"{self._boot.root_entries} slots hold"
                )
            place = self._at(self._boot.first_root_sector)
            sparse_copy.write_all_at(self._target, place, slots.ljust(room, b"\0"))
            return
        size = self._boot.cluster_size
        cluster = folder.cluster
        for start in range(0, max(len(slots), 1), size):
            if start:
                following = self._allocate(1)
                self._chain[cluster] = following
                cluster = following
            piece = slots[start : start + size].ljust(size, b"\0")
            sparse_copy.write_all_at(self._target, self._place(cluster), piece)

    # Contents.

    def _put_content(self, entry: Entry) -> int:
        """Copy a file's content; return its first cluster, 0 when it is empty."""
        if not entry.size:
            return 0
        if entry.size >= 1 << 32:
            raise TargetRefusedError(f"{paths.display(entry.path)} is too large for a FAT")
        size = self._boot.cluster_size
        count = -(-entry.size // size)
        first = self._allocate(count)
        place = self._place(first)
        if entry.digest:
            writer_input.copy(self._contents, entry, self._target, at=place)
        copied = entry.size if entry.digest else 0
        sparse_copy.clear(self._target, place + copied, count * size - copied)
        self._progress.advance(entry.size)
        return first

    # Tables.


def packed(chain: array[int], *, bits: int) -> bytes:
    """Return the entries of a table as they are on disk."""
    if bits == 12:
        # Entries of twelve bits, two in three bytes.
        raw = bytearray()
        for at in range(0, len(chain), 2):
            second = chain[at + 1] if at + 1 < len(chain) else 0
            raw += (chain[at] | second << 12).to_bytes(3, "little")
        return bytes(raw)
    words = chain if bits == 32 else array("H", chain)
    if sys.byteorder == "big":
        words = words[:]
        words.byteswap()
    return words.tobytes()


def _checked(entries: Sequence[Entry]) -> list[str]:
    """Return the names in one directory as text.

    Raises:
        SecurityError: a FAT cannot hold one of them, or not beside the others.
    """
    texts, seen = [], set[str]()
    for entry in entries:
        text = fat_names.text_of(entry.name)
        folded = text.casefold()
        if folded in seen or entry.type not in {EntryType.FILE, EntryType.DIRECTORY}:
            raise SecurityError(f"a FAT cannot hold {paths.display(entry.path)} beside the others")
        seen.add(folded)
        texts.append(text)
    return texts
