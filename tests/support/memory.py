"""Disks and file systems that exist in memory only."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


class Memory:
    """A ByteSource of any size: zeroes, but for some pieces. Later pieces cover earlier ones."""

    def __init__(self, size: int, pieces: Mapping[int, bytes]) -> None:
        self._size = size
        self._pieces = list(pieces.items())
        self.bytes_read = 0

    @classmethod
    def of(cls, content: bytes) -> Memory:
        """Return a source with exactly this content."""
        return cls(len(content), {0: content})

    def patched(self, pieces: Iterable[tuple[int, bytes]]) -> Memory:
        """Return the same with some bytes replaced."""
        other = Memory(self._size, {})
        other._pieces = [*self._pieces, *pieces]
        return other

    def with_piece(self, offset: int, data: bytes) -> Memory:
        """Return the same with some bytes replaced."""
        return self.patched([(offset, data)])

    @property
    def size(self) -> int:
        return self._size

    def read(self, offset: int, length: int) -> bytes:
        if offset < 0 or length < 0 or offset + length > self._size:
            raise EOFError(f"bytes {offset}..{offset + length} are outside {self._size}")
        self.bytes_read += length
        found = bytearray(length)
        for start, data in self._pieces:
            first, last = max(start, offset), min(start + len(data), offset + length)
            if first < last:
                found[first - offset : last - offset] = data[first - start : last - start]
        return bytes(found)
