from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import TargetFailedError
from holdstill.filesystems.ext4.block_allocator import BlockAllocator
from holdstill.filesystems.ext4.libext2fs import BLOCK_ALLOC_FAIL, BlockRun, LibraryError


class FakeSupply:
    """Free blocks as the library has them: some are taken already."""

    def __init__(self, blocks: int, taken: set[int]) -> None:
        self.free = set(range(1, blocks)) - taken
        self.calls = 0

    def allocate(self, goal: int, count: int) -> BlockRun:
        self.calls += 1
        ahead = [block for block in self.free if block >= goal]
        if not self.free:
            raise LibraryError("ext2fs_new_range", BLOCK_ALLOC_FAIL, "no blocks")
        first = min(ahead or self.free)
        length = 1
        while length < count and first + length in self.free:
            length += 1
        self.free -= set(range(first, first + length))
        return BlockRun(first, length)

    def release(self, run: BlockRun) -> None:
        blocks = set(range(run.first, run.first + run.length))
        assert not blocks & self.free, "a block was given back twice"
        self.free |= blocks


def blocks_of(runs: list[BlockRun]) -> list[int]:
    return [block for run in runs for block in range(run.first, run.first + run.length)]


@given(
    wishes=st.lists(st.integers(0, 40), max_size=30),
    taken=st.sets(st.integers(1, 999), max_size=60),
)
def test_blocks_are_handed_out_once_and_the_rest_is_given_back(
    wishes: list[int], taken: set[int]
) -> None:
    supply = FakeSupply(4000, taken)
    before = set(supply.free)
    room = BlockAllocator(supply, first_block=1, blocks=4000)
    given_out: list[int] = []
    contents: set[int] = set()
    for wish in wishes:  # 0 asks for a block on the desk
        found = blocks_of(room.allocate(wish)) if wish else [room.take_in_scratch()]
        assert len(found) == max(wish, 1)
        given_out += found
        contents |= set(found) if wish else set()

    room.give_back()

    assert len(set(given_out)) == len(given_out)
    assert set(given_out) | supply.free == before
    assert not set(given_out) & supply.free
    assert blocks_of(room.contents()) == sorted(contents)


def test_contents_lie_one_behind_the_other_although_directories_come_between() -> None:
    room = BlockAllocator(FakeSupply(100_000, set()), first_block=1, blocks=100_000)

    contents = []
    for _ in range(20):
        contents += blocks_of(room.allocate(3))
        room.take_in_scratch()

    assert contents == list(range(contents[0], contents[0] + 60))


def test_the_library_is_asked_seldom() -> None:
    supply = FakeSupply(600_000, set())
    room = BlockAllocator(supply, first_block=1, blocks=600_000)

    for _ in range(2000):
        room.allocate(1)

    assert supply.calls == 4  # pieces of 585 blocks, a 1024th of all


def test_the_last_free_blocks_are_found_in_the_other_pool() -> None:
    room = BlockAllocator(
        FakeSupply(2561, set()), first_block=1, blocks=2560
    )  # pieces of two blocks
    room.take_in_scratch()

    assert len(blocks_of(room.allocate(2559))) == 2559
    with pytest.raises(TargetFailedError, match="no free blocks left") as failed:
        room.allocate(1)
    assert "--size" in failed.value.hint


def test_other_failures_of_the_library_are_not_mistaken_for_a_full_one() -> None:
    class Broken(FakeSupply):
        def allocate(self, goal: int, count: int) -> BlockRun:
            raise LibraryError("ext2fs_new_range", 5, "Input/output error")

    with pytest.raises(LibraryError, match="Input/output"):
        BlockAllocator(Broken(100, set()), first_block=1, blocks=100).allocate(1)
