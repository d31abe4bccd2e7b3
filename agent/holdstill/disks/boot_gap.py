"""The boot gap: the bytes between the partition table and the first partition, and between others.

Many boards boot from there. Kept are the 4 KiB blocks that are not all zero, joined into runs
and known by their place on the disk. As a file (numbers little-endian):

    8 bytes   "HSGAP" 0 0 1
    4 bytes   number of runs
    12 bytes  of each run: offset (8), length (4); in order, apart from each other
    ...       the runs' bytes, one after the other
"""

from __future__ import annotations

import itertools
import struct
from typing import TYPE_CHECKING, NamedTuple

from holdstill.disks import mbr, partition_table, used_gaps
from holdstill.errors import LayoutError, SecurityError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from holdstill.model.layout import Disk
    from holdstill.system.byte_source import ByteSource

BLOCK = 4096
DATA_MAX = mbr.REACH + used_gaps.COPIED_MAX
RUNS_MAX = DATA_MAX // BLOCK
SIZE_MAX = DATA_MAX + 12 * RUNS_MAX + 12
"""Most bytes of a gap file that are read."""
_FARTHEST = 1 << 60
"""More bytes than any disk has."""
_MAGIC = b"HSGAP\0\0\1"
_COUNT = struct.Struct("<8sI")
_RUN = struct.Struct("<QI")


class GapExtent(NamedTuple):
    """Bytes and their place on the disk."""

    offset: int
    data: bytes

    @property
    def end(self) -> int:
        """First byte behind the run."""
        return self.offset + len(self.data)


def read(source: ByteSource, disk: Disk) -> list[GapExtent]:
    """Return what is not zero outside the partitions, boot code of the first sector included.

    Of what is between partitions, blocks that nobody ever wrote are left out as well.

    Raises:
        LayoutError: the source ends before a partition does begin.
    """
    before = (
        piece
        for start, end in partition_table.gap_ranges(disk)
        for piece in _pieces(source, start, end)
    )
    between = (
        piece
        for gap in used_gaps.copied(disk)
        for piece in _pieces(source, gap.start, gap.end)
        if not used_gaps.is_blank(piece.data)
    )
    return list(_joined(itertools.chain(before, between)))


def where_free(runs: Iterable[GapExtent], disk: Disk) -> tuple[list[GapExtent], list[GapExtent]]:
    """Return the runs that are outside the partitions of a disk, and those that are not."""
    step = disk.sector_size
    taken = [(part.start * step, part.end * step) for part in disk.partitions]
    free, lost = list[GapExtent](), list[GapExtent]()
    for run in runs:
        is_hit = any(start < run.end and run.offset < end for start, end in taken)
        (lost if is_hit or run.end > disk.size else free).append(run)
    return free, lost


def _pieces(source: ByteSource, start: int, end: int) -> Iterator[GapExtent]:
    """Yield the blocks of a range that hold anything; the range may begin inside a block."""
    while start < end:
        length = min(BLOCK - start % BLOCK, end - start)
        try:
            data = source.read(start, length)
        except EOFError as error:
            raise LayoutError(f"the disk ends inside its boot gap, at byte {start}") from error
        if data.count(0) != length:
            yield GapExtent(start, data)
        start += length


def _joined(pieces: Iterable[GapExtent]) -> Iterator[GapExtent]:
    start, parts, end = 0, list[bytes](), -1
    for piece in pieces:
        if piece.offset != end and parts:
            yield GapExtent(start, b"".join(parts))
            parts = []
        if not parts:
            start = piece.offset
        parts.append(piece.data)
        end = piece.end
    if parts:
        yield GapExtent(start, b"".join(parts))


def encode(runs: Sequence[GapExtent]) -> bytes:
    """Write runs as a gap file."""
    heads = [_RUN.pack(run.offset, len(run.data)) for run in runs]
    return b"".join([_COUNT.pack(_MAGIC, len(runs)), *heads, *(run.data for run in runs)])


def decode(data: bytes) -> list[GapExtent]:
    """Read a gap file, which is untrusted.

    Raises:
        SecurityError: it is not exactly what encode writes.
    """
    if len(data) < _COUNT.size or not data.startswith(_MAGIC):
        raise SecurityError("not a boot gap file")
    _, count = _COUNT.unpack_from(data)
    body = _COUNT.size + count * _RUN.size
    if count > RUNS_MAX or len(data) > SIZE_MAX or len(data) < body:
        raise SecurityError("the boot gap file has too many runs or is too large or too short")
    runs = []
    for offset, length in _RUN.iter_unpack(data[_COUNT.size : body]):
        runs.append(GapExtent(offset, data[body : body + length]))
        run = runs[-1]
        before = runs[-2].end if len(runs) > 1 else -1
        if length == 0 or len(run.data) != length:
            raise SecurityError("the boot gap file was cut short or has an empty run")
        if run.offset <= before or run.end > _FARTHEST:
            raise SecurityError("runs of the boot gap are out of order or out of reach")
        body += length
    if body != len(data):
        raise SecurityError("the boot gap file is longer than its runs")
    return runs
