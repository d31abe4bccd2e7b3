from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.board.extent_map import Extent, State, joined, parse_items, parse_mapped, part_of
from holdstill.system.ioctl import MappedExtent

LAST, UNKNOWN, DELALLOC, ENCODED, ENCRYPTED = 0x1, 0x2, 0x4, 0x8, 0x80
NOT_ALIGNED, INLINE, TAIL, UNWRITTEN, MERGED, SHARED = 0x100, 0x200, 0x400, 0x800, 0x1000, 0x2000
"""FIEMAP_EXTENT_*, https://docs.kernel.org/filesystems/fiemap.html and linux/fiemap.h."""


@pytest.mark.parametrize(
    ("flags", "state"),
    [
        (0, State.STORED),
        (LAST | MERGED | SHARED, State.STORED),
        (UNWRITTEN | LAST, State.ZEROS),
        (UNWRITTEN | DELALLOC, State.UNSURE),
        *[
            (flag, State.UNSURE)
            for flag in (UNKNOWN, DELALLOC, ENCODED, ENCRYPTED, NOT_ALIGNED, INLINE, TAIL, 1 << 20)
        ],
    ],
)
def test_what_the_flags_of_an_extent_say(flags: int, state: State) -> None:
    (found,) = parse_mapped([MappedExtent(4096, 16384, 8192, flags)], first_byte=1 << 20)

    assert found == Extent(4096, 8192, (1 << 20) + 16384 - 4096, state)


def test_neighbours_that_continue_each_other_are_one_and_all_is_clipped() -> None:
    stored, zeros = State.STORED, State.ZEROS
    extents = [
        Extent(0, 10, 5, stored),
        Extent(10, 10, 5, stored),
        Extent(20, 10, 5, zeros),
        Extent(30, 10, 6, zeros),
        Extent(50, 10, 6, zeros),
    ]

    assert joined(extents, 4, 55) == [
        Extent(4, 16, 5, stored),
        Extent(20, 10, 5, zeros),
        Extent(30, 10, 6, zeros),
        Extent(50, 5, 6, zeros),
    ]


def item(kind: int, place: int, skipped: int = 0, *, generation: int = 7) -> bytes:
    """Make struct btrfs_file_extent_item of linux/btrfs_tree.h: packed, little-endian."""
    head = struct.pack("<QQBBHB", generation, 9999, 0, 0, 0, kind)
    return head + (b"data" if kind == 0 else struct.pack("<QQQQ", place, 1 << 20, skipped, 8192))


def test_the_extent_items_of_btrfs() -> None:
    items = [
        (0, item(1, 1 << 30, 4096)),
        (8192, item(2, 2 << 30)),
        (16384, item(1, 0)),  # a hole
        (24576, item(0, 0)),
    ]

    assert list(parse_items(items, snapshot=9)) == [
        Extent(0, 8192, 4096, State.STORED, (7, 1 << 30, 0, 0, 0, 9)),
        Extent(8192, 8192, -8192, State.ZEROS, (7, 2 << 30, 0, 0, 0, 9)),
        Extent(24576, 9999, 0, State.UNSURE),
    ]


def test_a_place_that_was_freed_and_taken_again_is_another_one() -> None:
    (one,) = parse_items([(0, item(1, 4096))])
    (other,) = parse_items([(0, item(1, 4096, generation=8))])

    assert one.kind != other.kind


def test_a_place_of_before_a_snapshot_is_another_one() -> None:
    (one,) = parse_items([(0, item(1, 4096))], snapshot=3)
    (other,) = parse_items([(0, item(1, 4096))], snapshot=8)

    assert one.kind != other.kind


@given(
    lengths=st.lists(st.tuples(st.integers(0, 5), st.integers(1, 9)), max_size=12),
    start=st.integers(0, 150),
    length=st.integers(1, 80),
)
def test_a_part_of_a_map_is_the_map_clipped(
    lengths: list[tuple[int, int]], start: int, length: int
) -> None:
    extents, at = [], 0
    for number, (hole, size) in enumerate(lengths):
        extents.append(Extent(at + hole, size, 1000 * number, State.STORED))
        at += hole + size

    assert part_of(extents, start, start + length) == joined(extents, start, start + length)
