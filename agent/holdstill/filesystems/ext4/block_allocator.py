"""Free blocks: allocated from the library in large pieces, passed on in small ones.

Blocks of directories and the like come from pieces of their own. So contents that are written one
after the other are stored one behind the other, and directories are contiguous.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from holdstill.filesystems.ext4.libext2fs import BLOCK_ALLOC_FAIL, BlockRun, LibraryError, used_up

if TYPE_CHECKING:
    from collections.abc import Iterator

SHARE = 1024
"""A pool keeps no more than this part of all blocks from the library, which takes some itself:
both pools together keep less than what `ext4_sizing` leaves for fragments.
"""
CONTENT_PIECE, SCRATCH_PIECE = 2048, 256
"""Blocks that are asked for at once, at most."""


class BlockSupply(Protocol):
    """A source of free blocks."""

    def allocate(self, goal: int, count: int) -> BlockRun:
        """Take at most count neighbouring free blocks, at goal or behind it."""

    def release(self, run: BlockRun) -> None:
        """Release blocks."""


class BlockAllocator:
    """The free blocks of a file system that is being filled."""

    def __init__(self, supply: BlockSupply, *, first_block: int, blocks: int) -> None:
        self._supply = supply
        self._goal = first_block
        share = max(blocks // SHARE, 1)
        self._contents = _Pool(self, min(CONTENT_PIECE, share))
        self._scratch = _Pool(self, min(SCRATCH_PIECE, share))

    def allocate(self, count: int) -> list[BlockRun]:
        """Take blocks for a content, in as few runs as there are.

        Raises:
            TargetFailedError: there are not enough.
        """
        return self._contents.allocate(count)

    def take_in_scratch(self) -> int:
        """Take one block for what is no content.

        Raises:
            TargetFailedError: there is none.
        """
        return self._scratch.allocate(1)[0].first

    def contents(self) -> list[BlockRun]:
        """Return what was requested for contents and not released, sorted."""
        return sorted(self._contents.asked)

    def give_back(self) -> None:
        """Give back what was asked for and not handed out."""
        for pool in (self._contents, self._scratch):
            for run in pool.emptied():
                self._supply.release(run)

    def ask(self, count: int) -> BlockRun:
        """Take at most count blocks from the library, always further to the end."""
        try:
            run = self._allocated(count)
        except LibraryError as error:
            if error.code != BLOCK_ALLOC_FAIL:
                raise
            raise used_up("blocks") from error
        self._goal = run.first + run.length
        return run

    def _allocated(self, count: int) -> BlockRun:
        try:
            return self._supply.allocate(self._goal, count)
        except LibraryError as error:
            if error.code != BLOCK_ALLOC_FAIL:
                raise
            self.give_back()  # the last free blocks may wait in the other pool
            return self._supply.allocate(self._goal, count)


class _Pool:
    def __init__(self, room: BlockAllocator, piece: int) -> None:
        self._room, self._piece = room, piece
        self._next = self._end = 0
        self.asked: list[BlockRun] = []

    def allocate(self, count: int) -> list[BlockRun]:
        first = self._next
        if first + count <= self._end:
            self._next = first + count
            return [BlockRun(first, count)]
        return list(self._taken(count))

    def _taken(self, count: int) -> Iterator[BlockRun]:
        """Yield what is left, then new blocks: exactly the count, or a whole piece for later."""
        while count:
            if self._next == self._end:
                run = self._room.ask(max(count, self._piece))
                self._next, self._end = run.first, run.first + run.length
                self._note(run)
            length = min(count, self._end - self._next)
            yield BlockRun(self._next, length)
            self._next += length
            count -= length

    def _note(self, run: BlockRun) -> None:
        """Note what was requested, joined to the previous request where it follows that."""
        first, length = self.asked[-1] if self.asked else run
        if first + length == run.first:
            self.asked[-1] = BlockRun(first, length + run.length)
        else:
            self.asked.append(run)

    def emptied(self) -> list[BlockRun]:
        """Return what was requested and not passed on; that is the end of what was noted last."""
        if self._next == self._end:
            return []
        left = BlockRun(self._next, self._end - self._next)
        first, length = self.asked.pop()
        if length > left.length:
            self.asked.append(BlockRun(first, length - left.length))
        self._next = self._end = 0
        return [left]
