from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.filesystems.ext4 import block_map
from holdstill.filesystems.ext4.libext2fs import Extent

if TYPE_CHECKING:
    from collections.abc import Sequence

BLOCK = 1024
WIDTH = BLOCK // 4


class Disk:
    """Lists by the number of their block, as a card would hold them."""

    def __init__(self) -> None:
        self.lists: dict[int, bytes] = {}
        self._next = 1_000_000

    def take(self) -> int:
        self._next += 1
        return self._next

    def write(self, block: int, content: bytes) -> None:
        self.lists[block] = content

    def map(self, extents: Sequence[Extent]) -> block_map.BlockMap:
        return block_map.build(extents, block_size=BLOCK, take=self.take, write=self.write)

    # ifork.rst, "Direct/Indirect Block Addressing": 12 direct, then 1, 2 and 3 levels.
    def find(self, root: bytes, logical: int) -> int:
        if logical < 12:
            return int(struct.unpack_from("<I", root, logical * 4)[0])
        logical -= 12
        for level in (1, 2, 3):
            if logical < WIDTH**level:
                block = int(struct.unpack_from("<I", root, (11 + level) * 4)[0])
                for depth in range(level - 1, -1, -1):
                    if block == 0:
                        return 0
                    slot = logical // WIDTH**depth % WIDTH
                    block = int(struct.unpack_from("<I", self.lists[block], slot * 4)[0])
                return block
            logical -= WIDTH**level
        raise AssertionError(logical)


@st.composite
def extents(draw: st.DrawFn) -> list[Extent]:
    found, logical = [], 0
    for _ in range(draw(st.integers(1, 6))):
        logical += draw(st.sampled_from([0, 1, 11, 12, 250, 268, 70_000]))
        length = draw(st.sampled_from([1, 2, 12, 255, 256, 257, 700]))
        found.append(Extent(logical, draw(st.integers(1, 900_000)), length))
        logical += length
    return found


@given(wanted=extents())
def test_every_block_is_found_and_holes_stay_holes(wanted: list[Extent]) -> None:
    disk = Disk()

    made = disk.map(wanted)

    assert len(made.map) == 60
    assert made.lists == len(disk.lists) == block_map.list_count(wanted, block_size=BLOCK)
    previous = 0
    for extent in wanted:
        for step in {0, extent.length // 2, extent.length - 1}:
            assert disk.find(made.map, extent.logical + step) == extent.physical + step
        if extent.logical > previous:
            assert disk.find(made.map, extent.logical - 1) == 0
        previous = extent.logical + extent.length
    assert disk.find(made.map, previous) == 0


@pytest.mark.parametrize(
    ("blocks", "lists"),
    [(0, 0), (12, 0), (13, 1), (12 + 256, 1), (12 + 257, 3), (12 + 256 + 65536, 258)],
)
def test_the_number_of_lists_is_known(blocks: int, lists: int) -> None:
    whole = [Extent(0, 50, blocks)] if blocks else []

    assert block_map.list_count(whole, block_size=BLOCK) == lists


def test_three_levels_map_the_far_end_of_a_sparse_file() -> None:
    disk = Disk()
    far = 12 + WIDTH + WIDTH**2 + WIDTH**3 - 1

    made = disk.map([Extent(far, 77, 1)])

    assert disk.find(made.map, far) == 77
    assert made.lists == 3


def test_a_file_beyond_three_levels_is_refused() -> None:
    with pytest.raises(ValueError, match="too large"):
        Disk().map([Extent(12 + WIDTH + WIDTH**2 + WIDTH**3, 77, 1)])
