"""How much room a tree needs in an ext4, counted as the writer will use it, before it writes."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from holdstill.errors import PreflightError
from holdstill.filesystems.ext4 import (
    block_map,
    directory_blocks,
    ext4_parameters,
    ext4_populate,
    ext4_writer,
    file_layout,
    inode_bytes,
    scratch_image,
)
from holdstill.filesystems.ext4.libext2fs import Extent
from holdstill.model.entries import EntryType, Omitted
from holdstill.model.layout import Need

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.filesystems.ext4.directory_blocks import DirectoryLimits
    from holdstill.model.entries import Entry
    from holdstill.model.layout import Ext4
    from holdstill.model.sealed_capture import ContentSource
    from holdstill.system.process import Runner

GROUP_BITS = 8
"""A group has as many blocks as a block has bits: its bitmap is one block."""
RESERVED_INODES, SPARE_INODES = 10, 6
"""Inodes that mke2fs keeps for itself, and some for its journals of orphans and quotas."""
SLACK_SHARE, SLACK_LEAST = 400, 32
"""Blocks that may be lost to fragments: a 400th of what is needed, at least 32."""
SPARE_BLOCKS = 64
"""How many more blocks than needed are good enough."""
_ROUNDS = 12
QUOTA_BLOCKS = 48


class Usage(NamedTuple):
    """What a tree takes of a file system.

    Attributes:
        blocks: of contents, directories, long symlinks, attributes and maps.
        inodes: of everything but the root.
    """

    blocks: int
    inodes: int


def need(
    entries: Iterable[Entry], parameters: Ext4, *, contents: ContentSource | None = None
) -> Usage:
    """Count the blocks and inodes that entries, in key order, take.

    Args:
        entries: the tree.
        parameters: of the file system that is to hold it.
        contents: to find the holes of sparse files; without it they count in full.
    """
    counter = _Counter(parameters, contents)
    for path, group in groupby(entries, key=lambda entry: entry.directory):
        counter.count_directory(path, group)
    return counter.usage()


class _Counter:
    def __init__(self, parameters: Ext4, contents: ContentSource | None) -> None:
        self._parameters = parameters
        self._block = parameters.block_size
        self._shape = _shape(parameters)
        self._contents = contents
        self._has_extents = "extent" in parameters.features
        self._links: set[int] = set()
        self._blocks = self._inodes = self._filled_directories = self._directories = 0

    def usage(self) -> Usage:
        # An empty directory has one block, and no group of names that would count it.
        empty = self._directories - self._filled_directories
        return Usage(self._blocks + empty, self._inodes)

    def count_directory(self, path: bytes, group: Iterable[Entry]) -> None:
        names = directory_blocks.Counter(self._shape)
        for entry in group:
            if entry.path == b"":
                self._directories += 1
                self._blocks += self._attributes(entry)
                continue
            names.add(entry.name)
            if entry.link not in self._links:
                self._inodes += 1
                self._blocks += self._attributes(entry)
                if entry.type is EntryType.DIRECTORY:
                    self._directories += 1
                    if entry.path == ext4_populate.LOST_AND_FOUND:
                        self._blocks += ext4_populate.lost_and_found_blocks(self._block) - 1
                elif entry.type is EntryType.FILE:
                    self._blocks += self._content(entry)
                elif inode_bytes.needs_block(entry):
                    self._blocks += 1
            if entry.link:
                self._links.add(entry.link)
        if names.count or path == b"":
            self._filled_directories += 1
            self._blocks += names.blocks()

    def _attributes(self, entry: Entry) -> int:
        """Count the block that holds attributes, and the inodes of those too large for it."""
        if not entry.xattrs:
            return 0
        packing = inode_bytes.pack_xattrs(entry.xattrs, inode_size=self._parameters.inode_size)
        if packing.in_block <= inode_bytes.xattr_block_room(self._block):
            return int(packing.in_block > 0)
        large = [value for _, value in packing.order if len(value) > self._block // 2]
        self._inodes += len(large)
        return 1 + sum(self._in_blocks(len(value)) for value in large)

    def _in_blocks(self, size: int) -> int:
        return -(-size // self._block)

    def _content(self, entry: Entry) -> int:
        if entry.size == 0 or entry.omitted is Omitted.UNREADABLE:
            return 0
        if entry.sparse and entry.omitted is Omitted.NOTHING and self._contents is not None:
            extents: list[Extent] = []
            seen = file_layout.chunks_of(self._contents, entry)
            for run in file_layout.filled_runs(seen, self._block):
                file_layout.add(extents, run.first, run)
            return sum(extent.length for extent in extents) + self._map(extents)
        blocks = self._in_blocks(entry.size)
        # Extents of a file without holes, cut where each group has its own tables.
        longest = min(file_layout.EXTENT_MAX, self._block * GROUP_BITS) * 15 // 16
        whole = [
            Extent(start, start, min(longest, blocks - start))
            for start in range(0, blocks, longest)
        ]
        return blocks + self._map(whole)

    def _map(self, extents: list[Extent]) -> int:
        """Count the blocks that map a file's blocks."""
        if self._has_extents:
            return extent_nodes(len(extents), block_size=self._block)
        if not extents or extents[-1].logical + extents[-1].length <= block_map.DIRECT:
            return 0
        return block_map.list_count(extents, block_size=self._block)


def extent_nodes(extents: int, *, block_size: int) -> int:
    """Return how many blocks a tree of this many extents has; up to four are in the inode."""
    width = (block_size - 16) // 12
    nodes, level = 0, extents
    while level > inode_bytes.EXTENTS_IN_INODE:
        level = -(-level // width)
        nodes += level
    return nodes


def _shape(parameters: Ext4) -> DirectoryLimits:
    features = parameters.features
    levels = 2 if "large_dir" in features else 1
    return directory_blocks.DirectoryLimits(
        block_size=parameters.block_size,
        has_checksums="metadata_csum" in features,
        has_types="filetype" in features,
        levels=levels if "dir_index" in features else -1,
    )


def inodes_for(usage: Usage) -> int:
    """Return how many inodes a file system must have for a tree."""
    return usage.inodes + RESERVED_INODES + SPARE_INODES


def minimum(parameters: Ext4, usage: Usage, *, machine: Runner) -> Need:
    """Find the smallest file system with these parameters that holds a tree, by making some.

    Raises:
        PreflightError: this machine's e2fsprogs cannot make the file system at all.
        TargetRefusedError: the file system has a feature that we do not rebuild.
        TargetFailedError: there is no place for a scratch file.
    """
    ext4_writer.check(parameters)
    wanted = usage.blocks + max(usage.blocks // SLACK_SHARE, SLACK_LEAST)
    if not set(parameters.features).isdisjoint(ext4_writer.QUOTA):
        wanted += QUOTA_BLOCKS
    with scratch_image.held() as scratch:
        blocks = _Search(parameters, inodes_for(usage), scratch, machine).smallest(wanted)
    return Need(inodes_for(usage), blocks * parameters.block_size)


class _Search:
    """Makes empty file systems and reads how much room is left in them."""

    def __init__(self, parameters: Ext4, inodes: int, scratch: Path, machine: Runner) -> None:
        self._parameters, self._inodes = parameters, inodes
        self._scratch, self._machine = scratch, machine

    def smallest(self, wanted: int) -> int:
        tables = self._inodes * self._parameters.inode_size // self._parameters.block_size
        blocks = max(
            wanted + tables + wanted // 64, ext4_parameters.least_blocks(self._parameters)
        )
        least = ext4_parameters.least_blocks(self._parameters)
        tried: dict[int, int] = {}
        for _ in range(_ROUNDS):
            spare = tried[blocks] = self._spare(blocks, wanted)
            following = max(blocks - spare + SPARE_BLOCKS // 2, least)
            if 0 <= spare <= SPARE_BLOCKS or following in tried:
                break
            blocks = following
        good = [blocks for blocks, spare in tried.items() if spare >= 0]
        return min(good) if good else self._grown(max(tried), wanted)

    def _grown(self, blocks: int, wanted: int) -> int:
        """Group borders make the room jump: go up until it is enough."""
        for _ in range(_ROUNDS * 8):
            blocks += max(blocks // 200, SPARE_BLOCKS)
            if self._room(blocks) >= wanted:
                return blocks
        raise PreflightError("no size was found at which this machine's mke2fs leaves enough room")

    def _spare(self, blocks: int, wanted: int) -> int:
        """Return how many blocks are left over; a guess, below zero, where mke2fs wants more.

        Beside a great many inodes a small file system may have no room for its journal.
        """
        try:
            return self._room(blocks) - wanted
        except PreflightError:
            return -max(blocks // 8, SPARE_BLOCKS)

    def _room(self, blocks: int) -> int:
        """Return how many blocks the writer can use in a file system of this size."""
        size = blocks * self._parameters.block_size
        scaled = ext4_parameters.resized(self._parameters, size=size, inodes=self._inodes)
        geometry = ext4_writer.format_file(self._scratch, parameters=scaled, machine=self._machine)
        # The writer begins by giving back what mke2fs put into the root and lost+found.
        root = 0 if geometry.has_inline_data else 1
        own = root + ext4_populate.lost_and_found_blocks(geometry.block_size)
        return geometry.free_blocks + own
