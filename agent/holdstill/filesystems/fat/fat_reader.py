"""FAT12, FAT16 and FAT32, read from raw bytes.

Layout: Microsoft, FAT: General Overview of On-Disk Format 1.03. Where that leaves a choice we do
as Linux fs/fat does by default, with names in UTF-8, since a board's capture saw the files
through it: short names follow their case bits, dates are arithmetic, the root has no date.
Times are taken as UTC. The bytes may come from anybody: reading ends, with an error of ours.
"""

from __future__ import annotations

import hashlib
import struct
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import SecurityError, VerificationError
from holdstill.filesystems import file_tree
from holdstill.filesystems.file_tree import Content
from holdstill.model import layout, paths
from holdstill.model.entries import Entry, EntryType

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.filesystems.hash_worker import Hasher
    from holdstill.system.byte_source import ByteSource

KEPT_ATTRIBUTES = 0x27
"""Read-only, hidden, system and archive: what a rebuild restores."""
FAT12_MAX, FAT16_MAX, FAT32_MAX = 4084, 65524, 0x0FFFFFF6
"""Most clusters of each kind."""

_LABEL, _DIRECTORY, _LONG_NAME = 0x08, 0x10, 0x0F
_FREE, _END, _ESCAPED = 0xE5, 0x00, 0x05
_LOWER_BASE, _LOWER_EXTENSION = 0x08, 0x10
_DIRTY = 0x01
_SLOT = struct.Struct("<8s3sBBBHHHHHHHI")
_SLOTS_MAX = 65536
"""Entries of one directory: 2 MiB (1.03, section 6)."""
_LONG_SLOTS_MAX = 20
_CHUNK = 1 << 20
_WINDOW = 1 << 16
_WINDOWS = 64
_BOOT = struct.Struct("<3s8sHBHBHHBHHHII")


class BootRecord(NamedTuple):
    """The boot sector, and what follows from it.

    Attributes:
        fat_sectors: sectors of one table.
        root_cluster: first cluster of the root directory of a FAT32, else 0.
        volume_id, label, state: from the extended part; the label may be out of date.
    """

    oem: bytes
    sector_size: int
    sectors_per_cluster: int
    reserved_sectors: int
    fats: int
    root_entries: int
    sectors: int
    media: int
    fat_sectors: int
    hidden_sectors: int
    root_cluster: int
    volume_id: int
    label: bytes
    state: int

    @property
    def root_sectors(self) -> int:
        """Sectors of a root directory that has a place of its own."""
        return -(-self.root_entries * 32 // self.sector_size)

    @property
    def first_root_sector(self) -> int:
        """Sector behind the tables."""
        return self.reserved_sectors + self.fats * self.fat_sectors

    @property
    def clusters(self) -> int:
        """Count of clusters, by the formula of 1.03, FAT Type Determination."""
        data = self.sectors - self.first_root_sector - self.root_sectors
        return data // self.sectors_per_cluster

    @property
    def bits(self) -> int:
        """12, 16 or 32: the count of clusters decides.

        But for a volume laid out as a FAT32 that is too small to be one: Linux and firmware take
        it for what its tables are, and boards are sold with such a partition.
        """
        return 32 if self.root_cluster else bits_for(self.clusters)

    @property
    def cluster_size(self) -> int:
        """Bytes of one cluster."""
        return self.sectors_per_cluster * self.sector_size


def bits_for(clusters: int) -> int:
    """Return the kind of FAT that a volume with so many clusters is."""
    if clusters <= FAT12_MAX:
        return 12
    return 16 if clusters <= FAT16_MAX else 32


class Node(NamedTuple):
    """A file or directory as its entry says."""

    name: bytes
    attributes: int
    mtime_ns: int
    cluster: int
    size: int

    @property
    def is_directory(self) -> bool:
        """Whether it is a directory."""
        return bool(self.attributes & _DIRECTORY)


class FatReader:
    """A file system in a source. It remembers what it read: make a new one to look again."""

    def __init__(self, source: ByteSource) -> None:
        """Read the boot sector.

        Raises:
            VerificationError: it is none of a FAT.
        """
        self._source = source
        self.boot = read_boot(source)
        self._windows: dict[int, bytes] = {}

    def parameters(self) -> layout.Fat:
        """Return what is needed to make the same file system again, empty."""
        boot = self.boot
        label = self._root_label()
        return layout.Fat(
            bits=boot.bits,
            volume_id=boot.volume_id,
            label=_shown_label(boot.label if label is None else label),
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
            name, extension, attributes, *_ = _SLOT.unpack(slot)
            if attributes != _LONG_NAME and attributes & (_LABEL | _DIRECTORY) == _LABEL:
                return bytes(name + extension)
        return None

    # The table ---------------------------------------------------------------------------------

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

    # Content -----------------------------------------------------------------------------------

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

    # Directories -------------------------------------------------------------------------------

    def _slots(self, cluster: int, budget: file_tree.ReadLimit | None = None) -> Iterator[bytes]:
        """Yield the 32-byte entries of a directory; cluster 0 is the root."""
        for count, slot in enumerate(self._all_slots(cluster, budget or self._own_budget())):
            if slot[0] == _END:
                return
            if count >= _SLOTS_MAX:
                raise SecurityError("a directory has more entries than a FAT allows")
            if slot[0] != _FREE:
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
        long_name = _LongName()
        for slot in self._slots(cluster, budget):
            if slot[11] & 0x3F == _LONG_NAME:
                long_name.add(slot)
                continue
            name = long_name.take(slot)
            if not slot[11] & _LABEL and slot[:11] not in _DOT_NAMES:
                found.append(_node(slot, name, self.boot.bits))
        return sorted(found)

    def _find(self, path: bytes) -> tuple[bytes, Node] | None:
        """Return a node and its true path; the case of letters is ignored in the one asked for."""
        directory, node = b"", Node(b"", _DIRECTORY, 0, 0, 0)
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
        total = hashlib.sha256()
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


# The boot sector -------------------------------------------------------------------------------


def read_boot(source: ByteSource) -> BootRecord:
    """Understand the boot sector.

    Raises:
        VerificationError: it is none of a FAT.
    """
    try:
        raw = source.read(0, 512)
    except EOFError as error:
        raise VerificationError("too small for a FAT") from error
    (_, oem, sector_size, per_cluster, reserved, fats, root_entries, few_sectors, media,
     fat_small, _, _, hidden, many_sectors) = _BOOT.unpack_from(raw)  # fmt: skip
    is_32 = fat_small == 0
    _require(raw[510:512] == b"\x55\xaa")
    _require(sector_size in {512, 1024, 2048, 4096} and per_cluster in _CLUSTER_SECTORS)
    _require(reserved > 0 and fats in {1, 2} and (media == 0xF0 or media >= 0xF8))
    extended = raw[64:] if is_32 else raw[36:]
    # 0x28: an older form with an id but without a label.
    has_id = extended[2] in {0x28, 0x29}
    boot = BootRecord(
        oem=oem,
        sector_size=sector_size,
        sectors_per_cluster=per_cluster,
        reserved_sectors=reserved,
        fats=fats,
        root_entries=root_entries,
        sectors=few_sectors or many_sectors,
        media=media,
        fat_sectors=int.from_bytes(raw[36:40], "little") if is_32 else fat_small,
        hidden_sectors=hidden,
        root_cluster=int.from_bytes(raw[44:48], "little") if is_32 else 0,
        volume_id=int.from_bytes(extended[3:7], "little") if has_id else 0,
        label=extended[7:18] if extended[2] == 0x29 else b"",
        state=extended[1],
    )
    _check_boot(boot, source, is_32=is_32)
    return boot


_CLUSTER_SECTORS = frozenset({1, 2, 4, 8, 16, 32, 64, 128})


def _check_boot(boot: BootRecord, source: ByteSource, *, is_32: bool) -> None:
    _require(0 < boot.clusters <= FAT32_MAX and boot.fat_sectors > 0)
    _require(is_32 or boot.clusters <= FAT16_MAX)
    _require(is_32 == (boot.root_entries == 0) and is_32 == (boot.root_cluster >= 2))
    _require(boot.root_entries * 32 % boot.sector_size == 0)
    needed = (boot.clusters + 2) * boot.bits
    _require(needed <= boot.fat_sectors * boot.sector_size * 8)
    _require(boot.sectors * boot.sector_size <= source.size)


def _require(good: bool) -> None:  # noqa: FBT001  an assertion
    if not good:
        raise VerificationError("no FAT, or one whose boot sector makes no sense")


def _shown_label(raw: bytes) -> str:
    text = raw.rstrip(b"\0 ").decode("cp437")
    return "" if text == "NO NAME" else text


# Names and dates -------------------------------------------------------------------------------

_DOT_NAMES = frozenset({b".          ", b"..         "})


class _LongName:
    """Collects the slots of a long name, which come before the short one, last part first."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._next = 0
        self._checksum = -1

    def add(self, slot: bytes) -> None:
        order = slot[0]
        if order & 0x40:
            self._parts, self._next, self._checksum = [], order & 0x3F, slot[13]
        if (order & 0x3F) != self._next or slot[13] != self._checksum or not self._next:
            self._next = 0  # not ours: the short name counts
            self._checksum = -1
            return
        self._parts.append(slot[1:11] + slot[14:26] + slot[28:32])
        self._next -= 1

    def take(self, slot: bytes) -> bytes | None:
        """Return the long name of a short one in UTF-8, or None when there is none."""
        is_complete = bool(self._parts) and self._next == 0 and len(self._parts) <= _LONG_SLOTS_MAX
        is_mine = is_complete and self._checksum == _short_checksum(slot[:11])
        raw = b"".join(reversed(self._parts)) if is_mine else b""
        self._parts, self._next, self._checksum = [], 0, -1
        units = [raw[at : at + 2] for at in range(0, len(raw), 2)]
        if b"\0\0" in units:
            raw = b"".join(units[: units.index(b"\0\0")])
        # Linux leaves out halves of pairs that stand alone, too.
        return raw.decode("utf-16-le", "ignore").encode() or None


def _short_checksum(name: bytes) -> int:
    total = 0
    for byte in name:
        total = ((total & 1) << 7 | total >> 1) + byte & 0xFF
    return total


def _node(slot: bytes, long_name: bytes | None, bits: int) -> Node:
    (base, extension, attributes, case, _, _, _, _, cluster_high, time, date, cluster_low,
     size) = _SLOT.unpack(slot)  # fmt: skip
    cluster = cluster_low | (cluster_high << 16 if bits == 32 else 0)
    name = long_name or _short_name(base, extension, case)
    return Node(name, attributes, unix_ns(date, time), cluster, size)


def _short_name(base: bytes, extension: bytes, case: int) -> bytes:
    if base[0] == _ESCAPED:
        base = bytes([_FREE]) + base[1:]
    first, second = base.rstrip(b" ").decode("cp437"), extension.rstrip(b" ").decode("cp437")
    first = first.lower() if case & _LOWER_BASE else first
    second = second.lower() if case & _LOWER_EXTENSION else second
    return (f"{first}.{second}" if second else first).encode()


def _folded(name: bytes) -> str:
    return name.decode(errors="surrogateescape").casefold()


_DAYS_BEFORE = (0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 0, 0, 0)
_DAYS_TO_1980 = 365 * 10 + 2
_YEAR_2100 = 120


def unix_ns(date: int, time: int) -> int:
    """Turn a date and time of a directory entry into nanoseconds since 1970.

    Fields out of range count as Linux fs/fat/misc.c counts them, so that both agree.
    """
    year, month, day = date >> 9, max(1, date >> 5 & 15), max(1, date & 31) - 1
    leap_days = (year + 3) // 4 - (year > _YEAR_2100)
    if year % 4 == 0 and year != _YEAR_2100 and month > 2:
        leap_days += 1
    days = year * 365 + leap_days + _DAYS_BEFORE[month] + day + _DAYS_TO_1980
    seconds = (time >> 11) * 3600 + (time >> 5 & 63) * 60 + (time & 31) * 2
    return (days * 86400 + seconds) * 1_000_000_000
