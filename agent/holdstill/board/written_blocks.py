"""Which parts of a disk were written: one bit for 4 KiB, in flat memory. Pure."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

SECTOR = 512
"""Bytes of a sector as the kernel counts them, whatever the disk's own are."""
BLOCK = 4096
_SECTORS = BLOCK // SECTOR
_CHUNK = 4096
"""Bytes of bits that are compared with zeros at once."""
_ZEROS = bytes(_CHUNK)
_FULL = 0xFF
_SOME = re.compile(rb"[^\0]")


def _spans(byte: int) -> tuple[tuple[int, int], ...]:
    """Return first and end of each run of ones in a byte, counted from the lowest bit."""
    ones = re.finditer("1+", f"{byte:08b}"[::-1])
    return tuple(run.span() for run in ones)


_SPANS = tuple(map(_spans, range(256)))


class WrittenBlocks:
    """A set of the blocks of a disk.

    What lies behind the end counts as written, so that a disk that grew is none the worse, and
    `WrittenBlocks(0)` says that anything may have been.

    Args:
        size: bytes of the disk.
    """

    def __init__(self, size: int) -> None:
        self._blocks = size // BLOCK
        self._bits = bytearray(-(-self._blocks // 8))

    @property
    def memory(self) -> int:
        """Bytes that it takes in memory."""
        return len(self._bits)

    def add(self, sector: int, count: int) -> None:
        """Add count sectors from an absolute one; blocks are added whole."""
        first = sector // _SECTORS
        end = min(-(-(sector + count) // _SECTORS), self._blocks)
        if first >= end:
            return
        low, high = first // 8, (end - 1) // 8
        head, tail = _FULL << first % 8 & _FULL, _FULL >> 7 - (end - 1) % 8
        if low == high:
            self._bits[low] |= head & tail
            return
        self._bits[low] |= head
        self._bits[low + 1 : high] = b"\xff" * (high - low - 1)
        self._bits[high] |= tail

    def within(self, start: int, end: int) -> Iterator[tuple[int, int]]:
        """Yield the written parts of a range of the disk, in order: first byte, end."""
        known = self._blocks * BLOCK
        for low, high in _merged(self._runs(start // BLOCK, -(-min(end, known) // BLOCK))):
            if (first := max(low * BLOCK, start)) < (last := min(high * BLOCK, end)):
                yield first, last
        if (behind := max(start, known)) < end:
            yield behind, end

    def _runs(self, first: int, end: int) -> Iterator[tuple[int, int]]:
        """Yield runs of written blocks in the bytes of bits that hold first to end."""
        for base in range(first // 8, -(-end // 8), _CHUNK):
            chunk = self._bits[base : min(base + _CHUNK, -(-end // 8))]
            if not _ZEROS.startswith(chunk):
                for found in _SOME.finditer(chunk):
                    at = (base + found.start()) * 8
                    for low, high in _SPANS[chunk[found.start()]]:
                        yield at + low, at + high


def _merged(runs: Iterator[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Yield runs, those that touch made one."""
    begin = end = 0
    for low, high in runs:
        if low != end:
            if begin < end:
                yield begin, end
            begin = low
        end = high
    if begin < end:
        yield begin, end
