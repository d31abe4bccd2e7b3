"""From the scratch file to the target: superblocks, tables, directories, all that is not content.

The library works in a scratch file while contents go straight to the target: neither
waits for the other, and a card gets every block of a table once, in large pieces.
"""

from __future__ import annotations

import os
import stat
from bisect import bisect_right
from typing import TYPE_CHECKING

from holdstill.filesystems.ext4 import geometry, libext2fs
from holdstill.filesystems.ext4.libext2fs import BlockRun
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

SIGNATURES = 1 << 20
"""Bytes at either end of a partition where file systems put what they are known by."""


RESERVED_INODES = 11
"""Those below the first that files get, and lost+found."""


def prepare(target: Path, *, offset: int, size: int) -> None:
    """Make a part of a target ready for a new file system: it reads as zeroes where that matters.

    Of an image that is everything; of a device where other file systems have their signatures.

    Raises:
        OSError: it cannot be read or written.
    """
    with files.opened(target, os.O_RDWR) as handle:
        for start, length in _to_clear(handle, size):
            sparse_copy.clear(handle, offset + start, length)


def _to_clear(handle: int, size: int) -> Iterator[tuple[int, int]]:
    if not stat.S_ISBLK(os.fstat(handle).st_mode):
        yield 0, size
        return
    edge = min(SIGNATURES, size)
    yield 0, edge
    yield size - edge, edge


def assemble(scratch: Path, target: Path, *, offset: int, contents: Sequence[BlockRun]) -> None:
    """Copy what a file system consists of, but for the contents, to its place.

    Args:
        scratch: a file that holds the file system, from its first byte on.
        target: image or device.
        offset: byte of the target at which the file system begins.
        contents: blocks that are on the target already, sorted.

    Raises:
        OSError: the target cannot be read or written.
        TargetFailedError: the scratch file holds no file system.
    """
    with files.opened(scratch) as source, files.opened(target, os.O_RDWR) as handle:
        for start, length in _to_copy(scratch, source, contents):
            sparse_copy.copy(
                source, handle, size=length, source_at=start, target_at=offset + start
            )


def _to_copy(
    scratch: Path, source: int, contents: Sequence[BlockRun]
) -> Iterator[tuple[int, int]]:
    """Yield (start, length) in bytes of all that must be copied, holes included."""
    shape = geometry.read(source, offset=0)
    with libext2fs.opened(scratch) as system:
        used = list(system.used_blocks(shape.first_block, shape.blocks))
        tables: list[BlockRun] = []
        if shape.leaves_inodes_unset:
            tables = [system.inode_table(group) for group in range(system.groups)]
    for first, length in without(used, sorted((*tables, *contents))):
        yield first * shape.block_size, length * shape.block_size
    if tables:  # the reserved inodes are in use, though a hole may mark them as blank
        reserved = -(-RESERVED_INODES // shape.inodes_per_block)
        yield tables[0].first * shape.block_size, reserved * shape.block_size
    for first, length in tables:
        start, end = first * shape.block_size, (first + length) * shape.block_size
        for begin, stop in files.data_ranges(source, end, first=start):
            yield begin, stop - begin


def without(runs: Iterable[BlockRun], taken: Sequence[BlockRun]) -> Iterator[BlockRun]:
    """Yield what is left of runs when others, sorted, are taken out."""
    starts = [run.first for run in taken]
    for run in runs:
        position, end = run.first, run.first + run.length
        for first, length in taken[max(bisect_right(starts, position) - 1, 0) :]:
            if first >= end:
                break
            if first > position:
                yield BlockRun(position, first - position)
            position = max(position, first + length)
        if position < end:
            yield BlockRun(position, end - position)
