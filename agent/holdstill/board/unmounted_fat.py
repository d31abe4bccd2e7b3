"""Files of a FAT that is not mounted: read from the device, without the kernel.

A boot partition is often not mounted, and a live one that is cannot be frozen. Nobody writes to
an unmounted one, so whatever is read is of one moment: the last time it was mounted.
"""

from __future__ import annotations

import hashlib
import os
from typing import TYPE_CHECKING

from holdstill.filesystems.fat.fat_reader import FatReader
from holdstill.filesystems.file_tree import Content
from holdstill.model.entries import differences
from holdstill.system import files

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.records.index_queries import Index
    from holdstill.system.byte_source import ByteSource


class UnmountedFat:
    """The files of one unmounted FAT partition.

    Contents that have to be sent are first written to a directory in memory: a boot partition is
    small, and is sent as a whole only once.
    """

    detection = "whole"

    def __init__(self, part: int, source: ByteSource, memory: Path) -> None:
        self.part = part
        self._volume = FatReader(source)
        self._memory = memory

    def update_live(self, index: Index, *, seq: int) -> None:
        """Read and hash every file; enter what differs from the index.

        Raises:
            VerificationError: it was written to meanwhile, or is damaged.
        """
        kept = set()
        for entry in self._volume.entries(Content.HASHED):
            kept.add(entry.path)
            known = index.get(self.part, entry.path)
            if known is None or next(differences([known], [entry]), None) is not None:
                index.put(self.part, entry, seq=seq)
        gone = [entry.path for entry in index.entries(self.part) if entry.path not in kept]
        for path in gone:
            index.remove(self.part, path)

    def open(self, entry: Entry) -> int:
        """Open an entry's content; the caller closes."""
        return os.open(self.path(entry), os.O_RDONLY | os.O_CLOEXEC)

    def path(self, entry: Entry) -> Path:
        """Return a file in memory with the entry's content."""
        place = self._memory / f"fat-{self.part}-{hashlib.sha256(entry.path).hexdigest()}"
        if not place.exists():
            with files.opened_new(place) as handle:
                for chunk in self._volume.read_file(entry.path):
                    files.write_all(handle, chunk)
        return place

    def is_same(self, entry: Entry, handle: int) -> bool:
        """Whether the content in memory has the size that the entry says."""
        return os.fstat(handle).st_size == entry.size

    def older(self, entry: Entry) -> bytes:
        """Return b"": boot files are sent whole."""
        del entry
        return b""
