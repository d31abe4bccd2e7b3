"""How much room a tree needs in an ext4, counted as the writer will use it, before it writes."""

from __future__ import annotations

from contextlib import suppress
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from holdstill.errors import PreflightError, TargetRefusedError
from holdstill.filesystems.ext4 import (
    block_map,
    directory_blocks,
    ext4_parameters,
    ext4_populate,
    ext4_writer,
    file_layout,
    inode_bytes,
    libext2fs,
    scratch_image,
)
from holdstill.filesystems.ext4.libext2fs import Extent
from holdstill.model.entries import EntryType, Omitted
from holdstill.model.layout import Need
from holdstill.model.sizes import human

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.filesystems.ext4.directory_blocks import DirectoryLimits
    from holdstill.filesystems.ext4.geometry import Geometry
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
INODES_STEP = 8
"""Each group has a multiple of so many inodes: their bitmap is whole bytes."""
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

    Its journal is the least that there can be. Any larger one holds the tree, too, when it is
    `settled`.

    Raises:
        PreflightError: this machine's e2fsprogs cannot make the file system at all.
        TargetRefusedError: the file system has a feature that we do not rebuild.
        TargetFailedError: there is no place for a scratch file.
    """
    ext4_writer.check(parameters)
    wanted = usage.blocks + max(usage.blocks // SLACK_SHARE, SLACK_LEAST)
    if ext4_writer.counted_features(parameters):
        wanted += QUOTA_BLOCKS
    inodes = inodes_for(usage)
    with scratch_image.held() as scratch:
        least = ext4_parameters.with_least_journal(parameters)
        blocks = _Search(least, _Trials(inodes, scratch, machine)).smallest(wanted)
    return Need(inodes, blocks * parameters.block_size, wanted)


def settled(parameters: Ext4, need: Need, *, machine: Runner) -> Ext4:
    """Return the parameters with the largest journal for which a tree leaves room.

    A larger file system may leave less room than a smaller one: the usual journal grows in
    leaps, and inodes by their share even of a last group of blocks that mke2fs then leaves out.
    So the journal gives way to the tree, and there are only the inodes of groups that are made.

    Args:
        parameters: of the file system that is planned.
        need: of the tree, as `minimum` found it.
        machine: runs mke2fs and tune2fs.

    Raises:
        TargetRefusedError: the tree does not fit.
        TargetFailedError: there is no place for a scratch file.
    """
    with scratch_image.held() as scratch:
        trials = _Trials(need.inodes, scratch, machine)
        for journal in ext4_parameters.journals(parameters):
            with suppress(PreflightError):
                made = trials.made(msgspec.structs.replace(parameters, journal_blocks=journal))
                if made.room >= need.blocks:
                    return made.parameters
    size = parameters.blocks * parameters.block_size
    raise TargetRefusedError(
        f"an ext4 of {size} bytes ({human(size)}) is too small for what it is to hold",
        hint=libext2fs.TAKE_A_LARGER_ONE,
    )


class _Made(NamedTuple):
    """An empty file system.

    Attributes:
        parameters: to make it again.
        room: blocks that the writer can use.
    """

    parameters: Ext4
    room: int


class _Trials:
    """Makes empty file systems for a tree with this many inodes."""

    def __init__(self, inodes: int, scratch: Path, machine: Runner) -> None:
        self.inodes = inodes
        self._scratch, self._machine = scratch, machine

    def resized(self, parameters: Ext4, blocks: int) -> _Made:
        """Make one with other blocks.

        Raises:
            PreflightError: mke2fs cannot.
        """
        size = blocks * parameters.block_size
        return self.made(ext4_parameters.resized(parameters, size=size, inodes=self.inodes))

    def made(self, parameters: Ext4) -> _Made:
        """Make one, with the inodes' share of the blocks that become of it.

        Raises:
            PreflightError: mke2fs cannot.
        """
        empty = self._formatted(parameters)
        inodes = max(parameters.inodes * empty.blocks // parameters.blocks, self.inodes)
        if inodes < parameters.inodes:
            parameters = msgspec.structs.replace(parameters, inodes=inodes)
            empty = self._formatted(parameters)
        # The writer begins by giving back what mke2fs put into the root and lost+found.
        root = 0 if empty.has_inline_data else 1
        own = root + ext4_populate.lost_and_found_blocks(empty.block_size)
        return _Made(parameters, empty.free_blocks + own)

    def _formatted(self, parameters: Ext4) -> Geometry:
        return ext4_writer.format_file(self._scratch, parameters=parameters, machine=self._machine)


class _Search:
    """Looks for the fewest blocks."""

    def __init__(self, parameters: Ext4, trials: _Trials) -> None:
        self._parameters, self._trials = parameters, trials

    def smallest(self, wanted: int) -> int:
        parameters = self._parameters
        least = ext4_parameters.least_blocks(parameters)
        tables = self._trials.inodes * parameters.inode_size // parameters.block_size
        blocks = max(wanted + tables + wanted // 64, least)
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
            if self._left(blocks, wanted) >= 0:
                return blocks
        raise PreflightError("no size was found at which this machine's mke2fs leaves enough room")

    def _spare(self, blocks: int, wanted: int) -> int:
        """Return how many blocks are left over; a guess, below zero, where mke2fs wants more.

        Beside a great many inodes a small file system may have no room for its journal.
        """
        try:
            return self._left(blocks, wanted)
        except PreflightError:
            return -max(blocks // 8, SPARE_BLOCKS)

    def _left(self, blocks: int, wanted: int) -> int:
        room = self._trials.resized(self._parameters, blocks).room
        return room - wanted - rounded_up(self._parameters, blocks)


def rounded_up(parameters: Ext4, blocks: int) -> int:
    """Return how many blocks of inodes there may be beyond those that were asked for.

    mke2fs gives each group a multiple of eight inodes, in whole blocks: here more, there less.
    """
    groups = -(-blocks // (parameters.block_size * GROUP_BITS))
    return groups * -(-INODES_STEP * parameters.inode_size // parameters.block_size)
