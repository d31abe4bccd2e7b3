from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from holdstill.board.written_blocks import BLOCK, SECTOR, WrittenBlocks

DISK = 600 * BLOCK
WRITES = st.lists(st.tuples(st.integers(0, DISK // SECTOR + 50), st.integers(1, 900)), max_size=8)
PLACES = st.integers(0, DISK + 9 * BLOCK)


def by_bytes(writes: list[tuple[int, int]]) -> set[int]:
    """Return the blocks that writes touch, and all behind the disk, one at a time."""
    touched = {sector // 8 for first, count in writes for sector in range(first, first + count)}
    return {block for block in touched if block < DISK // BLOCK} | set(range(600, 620))


@given(WRITES, PLACES, PLACES)
def test_a_range_tells_exactly_the_written_blocks_in_it(
    writes: list[tuple[int, int]], start: int, end: int
) -> None:
    blocks = WrittenBlocks(DISK)
    for first, count in writes:
        blocks.add(first, count)

    found = list(blocks.within(start, end))

    told = {at // SECTOR for a, b in found for at in range(a, b, SECTOR)}
    known = by_bytes(writes)
    if start % SECTOR == end % SECTOR == 0:
        wanted = range(start // SECTOR, max(end, start) // SECTOR)
        assert told == {sector for sector in wanted if sector // 8 in known}
    assert all(start <= a < b <= end for a, b in found)
    assert {a // BLOCK for a, _ in found} <= known


@given(PLACES, PLACES)
def test_of_no_disk_everything_was_written(start: int, end: int) -> None:
    found = list(WrittenBlocks(0).within(start, end))

    assert found == ([(start, end)] if start < end else [])


def test_a_long_range_crosses_what_is_compared_at_once() -> None:
    blocks = WrittenBlocks(1 << 32)
    blocks.add(8, (1 << 32) // SECTOR - 16)

    runs = list(blocks.within(0, 1 << 32))

    assert (runs[0][0], runs[-1][1]) == (BLOCK, (1 << 32) - BLOCK)
    assert sum(b - a for a, b in runs) == (1 << 32) - 2 * BLOCK
