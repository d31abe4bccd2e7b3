"""A real file followed piece by piece, as a capture will: the smallest caller of the rule."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.board.changed_pieces import FileAsRead, Look, PieceRead, judged

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from holdstill.board.extent_map import ExtentMap
    from holdstill.board.written_blocks import WrittenBlocks

PIECE = 64 << 10


class FollowedFile:
    """An open file, its map, what is known of it, and the copy made so far."""

    def __init__(self, handle: int, its_map: ExtentMap) -> None:
        self.handle, self.map = handle, its_map
        self.known = FileAsRead(PIECE)
        self.copy: dict[int, bytes] = {}

    def look(self, written: WrittenBlocks) -> Look:
        """Tell what must be read again; `written` was asked for before."""
        size = os.fstat(self.handle).st_size
        return self.known.look(self.map.extents(0, max(size, 1)), written, size)

    def hot_round(self, written: WrittenBlocks) -> Look:
        """Read what changed."""
        look = self.look(written)
        self.known = self.known.after(look, {n: self._read(n) for n in look.dirty})
        return look

    def _read(self, n: int) -> PieceRead:
        start = n * PIECE
        before = self.map.extents(start, start + PIECE)
        self.copy[n] = os.pread(self.handle, PIECE, start)
        return judged(start, self.copy[n], before, self.map.extents(start, start + PIECE))

    def wrongly_clean(self, look: Look) -> list[int]:
        """Return the pieces that a look calls clean although the copy differs from the file."""
        return [
            n
            for n in range(-(-look.size // PIECE))
            if n not in look.dirty and self.copy.get(n) != os.pread(self.handle, PIECE, n * PIECE)
        ]


@contextmanager
def followed(path: Path, make_map: Callable[[int], ExtentMap]) -> Iterator[FollowedFile]:
    """Follow a file for the length of the block."""
    handle = os.open(path, os.O_RDONLY | os.O_NOATIME)
    try:
        yield FollowedFile(handle, make_map(handle))
    finally:
        os.close(handle)
