"""The table of a FAT, and the chains of clusters that it names."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from holdstill.errors import VerificationError
from holdstill.filesystems import file_tree
from holdstill.model import paths

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.filesystems.fat.fat_slots import Node
    from holdstill.system.byte_source import ByteSource

from holdstill.filesystems.fat.fat_boot_record import read_boot

_CHUNK = 1 << 20
_WINDOW = 1 << 16
_WINDOWS = 64


class FatClusters:
    """The boot record, the table and the contents of a FAT in a source."""

    def __init__(self, source: ByteSource) -> None:
        """Read the boot sector.

        Raises:
            VerificationError: it is none of a FAT.
        """
        self._source = source
        self.boot = read_boot(source)
        self._windows: dict[int, bytes] = {}

    def _table_bytes(self, offset: int, length: int) -> bytes:
        """Return bytes of the first table, through windows that are remembered."""
        index, at = divmod(offset, _WINDOW)
        found = self._window(index)[at : at + length]
        if len(found) < length:
            found += self._window(index + 1)[: length - len(found)]
        return found

    def _window(self, index: int) -> bytes:
        found = self._windows.get(index)
        if found is None:
            if len(self._windows) >= _WINDOWS:
                del self._windows[next(iter(self._windows))]
            boot = self.boot
            end = boot.fat_sectors * boot.sector_size
            length = max(0, min(_WINDOW, end - index * _WINDOW))
            start = boot.reserved_sectors * boot.sector_size
            found = self._bytes(start + index * _WINDOW, length)
            self._windows[index] = found
        return found

    def _table_entry(self, cluster: int) -> int:
        bits = self.boot.bits
        if bits == 12:
            pair = int.from_bytes(self._table_bytes(cluster * 3 // 2, 2), "little")
            return pair >> 4 if cluster & 1 else pair & 0xFFF
        size = bits // 8
        raw = self._table_bytes(cluster * size, size)
        return int.from_bytes(raw, "little") & 0x0FFFFFFF

    def _used_clusters(self) -> int:
        return sum(1 for entry in self._table_entries() if entry)

    def _table_entries(self) -> Iterator[int]:
        """Yield the entry of each cluster."""
        boot = self.boot
        if boot.bits == 12:
            yield from (self._table_entry(number) for number in range(2, boot.clusters + 2))
            return
        size = boot.bits // 8
        left = boot.clusters + 2
        for index in range(-(-left * size // _WINDOW)):
            count = min(left, _WINDOW // size)
            letter = "H" if size == 2 else "I"
            values = struct.unpack_from(f"<{count}{letter}", self._window(index))
            for value in values[2:] if index == 0 else values:
                yield value & 0x0FFFFFFF
            left -= count

    def _chain(self, cluster: int, budget: file_tree.ReadLimit) -> Iterator[tuple[int, int]]:
        """Yield (first cluster, count) of the runs of a chain."""
        last = self.boot.clusters + 1
        end_mark = {12: 0xFF8, 16: 0xFFF8, 32: 0x0FFFFFF8}[self.boot.bits]
        start, count = cluster, 0
        while True:
            if not 2 <= cluster <= last:
                raise VerificationError(f"a FAT chain is damaged: it leads to cluster {cluster}")
            budget.spend_blocks(1)
            count += 1
            following = self._table_entry(cluster)
            if following != cluster + 1:
                yield start, count
                start, count = following, 0
            if following >= end_mark:
                return
            cluster = following

    def _bytes(self, offset: int, length: int) -> bytes:
        try:
            return self._source.read(offset, length)
        except EOFError as error:
            raise VerificationError(f"the file system is cut off before byte {offset}") from error

    def _cluster_runs(self, cluster: int, budget: file_tree.ReadLimit) -> Iterator[bytes]:
        """Yield the bytes of a chain, whole clusters, in pieces of at most 1 MiB."""
        boot = self.boot
        base = (boot.first_root_sector + boot.root_sectors) * boot.sector_size
        for first, count in self._chain(cluster, budget):
            offset = base + (first - 2) * boot.cluster_size
            end = offset + count * boot.cluster_size
            while offset < end:
                length = min(_CHUNK, end - offset)
                yield self._bytes(offset, length)
                offset += length

    def content(self, node: Node, budget: file_tree.ReadLimit) -> Iterator[bytes]:
        """Yield the content of a file, charged to a budget that several files share."""
        budget.spend_bytes(node.size)
        left = node.size
        runs = self._cluster_runs(node.cluster, budget) if left else iter(())
        for run in runs:
            yield run[:left]
            left -= len(run)
            if left <= 0:
                return  # what may follow was reserved and never written
        if left:
            raise VerificationError(f"{paths.display(node.name)!r} is cut off")

    def _own_budget(self) -> file_tree.ReadLimit:
        return file_tree.ReadLimit(blocks=self.boot.clusters, logical=file_tree.LOGICAL_MAX)
