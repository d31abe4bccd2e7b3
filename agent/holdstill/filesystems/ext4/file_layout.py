"""A content's way into the blocks of a file.

Blocks are chosen here, before anything is read. A content without holes is then left to the
copy worker; one with holes is read here, since only its bytes say where they are.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.filesystems import writer_input
from holdstill.filesystems.ext4.copy_worker import TargetSpan
from holdstill.filesystems.ext4.libext2fs import BlockRun, Extent
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.filesystems.ext4.copy_worker import CopyWorker
    from holdstill.filesystems.ext4.volume import Ext4Volume
    from holdstill.filesystems.writer_input import ByteCounter
    from holdstill.model.entries import Entry
    from holdstill.model.sealed_capture import ContentSource

Chunk = tuple[int, bytes | memoryview]
"""A position in a file, and the bytes there."""
EXTENT_MAX, UNWRITTEN_MAX = 32768, 32767
"""Blocks in one extent (ifork.rst, "Extent Tree"); one bit less when nothing was written yet."""


class FileLayout:
    """Copies contents into a volume.

    Args:
        volume: gets the contents.
        contents: where they are.
        worker: brings those without holes.
        progress: is called with every chunk.
    """

    def __init__(
        self,
        volume: Ext4Volume,
        contents: ContentSource,
        worker: CopyWorker,
        progress: ByteCounter,
    ) -> None:
        self._volume = volume
        self._progress = progress
        self._contents = contents
        self._worker = worker
        self._block = volume.geometry.block_size

    def copy(self, entry: Entry) -> list[Extent]:
        """Give a file the blocks for its content, and see that it comes there; return where.

        Raises:
            VerificationError: the content does not have the size in the entry.
            TargetFailedError: it cannot be read, or the target cannot be written.
        """
        if entry.sparse:
            return self._write_sparse(entry)
        extents = merged(self._volume.allocate(-(-entry.size // self._block)))
        spans = [
            TargetSpan(self._volume.place(extent.physical), extent.length * self._block)
            for extent in extents
        ]
        self._worker.submit(entry, spans)
        return extents

    def reserve(self, head: bytes, size: int) -> list[Extent]:
        """Give a file of this size all its blocks, with head at the beginning and zeroes behind.

        Where extents can be marked as unwritten, nothing is written.
        """
        extents = merged(self._volume.allocate(-(-size // self._block)))
        written = -(-len(head) // self._block) if self._volume.geometry.has_extents else None
        for block, start, piece in _Places(extents, self._block).of(0, self._padded(head)):
            self._volume.write(block, start, piece)
        if written is None:
            self._clear_behind(len(head), extents)
            return extents
        return list(_split(extents, written))

    def _clear_behind(self, written: int, extents: list[Extent]) -> None:
        first = -(-written // self._block)
        for extent in extents:
            skipped = min(max(first - extent.logical, 0), extent.length)
            length = (extent.length - skipped) * self._block
            self._volume.clear(extent.physical + skipped, 0, length)

    def _write_sparse(self, entry: Entry) -> list[Extent]:
        """Write only the blocks that are not all zeroes."""
        extents: list[Extent] = []
        holes = entry.size
        for position, chunk in chunks_of(self._contents, entry):
            for start, piece in _filled(self._padded(chunk), self._block):
                self._write_run((position + start) // self._block, piece, extents)
            self._progress.advance(len(chunk))
            holes -= len(chunk)
        self._progress.advance(holes)
        return extents

    def _write_run(self, logical: int, piece: bytes | memoryview, extents: list[Extent]) -> None:
        position = 0
        for run in self._volume.allocate(len(piece) // self._block):
            end = position + run.length * self._block
            self._volume.write(run.first, 0, piece[position:end])
            add(extents, logical + position // self._block, run)
            position = end

    def _padded(self, chunk: bytes | memoryview) -> bytes | memoryview:
        """Fill the last block up: what the target held before must not show behind a file."""
        length = -(-len(chunk) // self._block) * self._block
        return chunk if length == len(chunk) else bytes(chunk).ljust(length, b"\0")


def chunks_of(contents: ContentSource, entry: Entry) -> Iterator[Chunk]:
    """Yield (position, bytes) of a content, whole blocks but for the last; no long holes.

    Raises:
        VerificationError: it is not there, or has another size.
        TargetFailedError: it cannot be read.
    """
    for part in writer_input.parts_of(contents, entry):
        if part.handle is None:
            continue  # however long it is
        try:
            for start, chunk in chunks(part.handle, part.length):
                yield part.offset + start, chunk
        except OSError as error:
            raise writer_input.unreadable(entry, str(error.strerror)) from error
        except EOFError as error:
            raise writer_input.not_the_content(entry, str(error)) from error


def chunks(handle: int, size: int) -> Iterator[Chunk]:
    """Yield (position, bytes), all but the last a whole chunk; holes are not read."""
    ranges = files.data_ranges(handle, size) if size > files.CHUNK else iter([(0, size)])
    start, end = next(ranges, (size, size))
    for position in range(0, size, files.CHUNK):
        stop = min(position + files.CHUNK, size)
        while end <= position and start < size:
            start, end = next(ranges, (size, size))
        if start >= stop:
            yield position, memoryview(_ZEROES)[: stop - position]
        else:
            yield position, _read(handle, position, stop - position)


_ZEROES = bytes(files.CHUNK)


def filled_runs(seen: Iterable[Chunk], block_size: int) -> Iterator[BlockRun]:
    """Yield the runs of a sparse file's blocks that take space, as `FileLayout` decides it."""
    for position, chunk in seen:
        padded = bytes(chunk) + bytes(-len(chunk) % block_size)
        for start, piece in _filled(padded, block_size):
            yield BlockRun((position + start) // block_size, len(piece) // block_size)


def _read(handle: int, position: int, length: int) -> bytes:
    chunk = os.pread(handle, length, position)
    while len(chunk) < length:
        more = os.pread(handle, length - len(chunk), position + len(chunk))
        if not more:
            raise EOFError(f"it ended at byte {position + len(chunk)}")
        chunk += more
    return chunk


def _filled(chunk: bytes | memoryview, block_size: int) -> Iterator[Chunk]:
    """Yield (position, bytes) of the runs of blocks in a chunk that are not all zeroes."""
    if sparse_copy.is_blank(chunk):
        return
    if bytes(chunk).find(bytes(block_size)) < 0:  # not even unaligned: the usual case
        yield 0, chunk
        return
    begin = None
    for start in range(0, len(chunk), block_size):
        if sparse_copy.is_blank(chunk[start : start + block_size]):
            if begin is not None:
                yield begin, chunk[begin:start]
            begin = None
        elif begin is None:
            begin = start
    if begin is not None:
        yield begin, chunk[begin:]


def add(extents: list[Extent], logical: int, run: BlockRun) -> None:
    """Append a run of written blocks, joined to the last extent where they are neighbours."""
    if extents:
        last = extents[-1]
        joins = last.logical + last.length == logical and last.physical + last.length == run.first
        if joins and last.length + run.length <= EXTENT_MAX:
            extents[-1] = last._replace(length=last.length + run.length)
            return
    extents.append(Extent(logical, run.first, run.length))


def _split(extents: list[Extent], written: int) -> Iterator[Extent]:
    """Yield the same extents, marked as not yet written from one block of the file on."""
    for extent in extents:
        position, end = extent.logical, extent.logical + extent.length
        while position < end:
            is_written = position < written
            stop = min(end, written) if is_written else min(end, position + UNWRITTEN_MAX)
            physical = extent.physical + position - extent.logical
            yield Extent(position, physical, stop - position, is_written)
            position = stop


def merged(runs: list[BlockRun]) -> list[Extent]:
    """Return the extents of a file without holes that has these blocks."""
    if len(runs) == 1 and runs[0].length <= EXTENT_MAX:
        return [Extent(0, *runs[0])]
    extents: list[Extent] = []
    logical = 0
    for run in runs:
        add(extents, logical, run)
        logical += run.length
    return extents


class _Places:
    """Where the bytes of a file without holes are; requested from the front to the end."""

    def __init__(self, extents: list[Extent], block_size: int) -> None:
        self._extents = extents
        self._block = block_size
        self._current = 0

    def of(
        self, position: int, chunk: bytes | memoryview
    ) -> Iterator[tuple[int, int, bytes | memoryview]]:
        """Yield (block, position in it, bytes) for a chunk at a position."""
        while chunk:
            extent = self._extents[self._current]
            start = position - extent.logical * self._block
            left = extent.length * self._block - start
            yield extent.physical, start, chunk[:left]
            if len(chunk) >= left:
                self._current += 1
            chunk, position = chunk[left:], position + left
