from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.filesystems.ext4 import directory_blocks
from holdstill.filesystems.ext4.directory_blocks import Branch, DirectoryLimits, Hashed, Name

if TYPE_CHECKING:
    from collections.abc import Iterator

PLAIN = DirectoryLimits(block_size=1024, has_checksums=False, has_types=True, levels=1)
SUMMED = DirectoryLimits(block_size=1024, has_checksums=True, has_types=True, levels=1)
NAMES = st.lists(st.binary(min_size=1, max_size=255), unique=True, max_size=60)


# directory.rst, "Linear (Classic) Directories": inode, rec_len, name_len, file_type, name.
def records(block: bytes) -> Iterator[tuple[int, bytes, int]]:
    position = 0
    while position < len(block):
        inode, length, name_length, kind = struct.unpack_from("<IHBB", block, position)
        assert length >= 8 + name_length
        assert length % 4 == 0
        yield inode, block[position + 8 : position + 8 + name_length], kind
        position += length
    assert position == len(block)


@given(names=NAMES, shape=st.sampled_from([PLAIN, SUMMED]))
def test_every_name_is_in_a_list_once(names: list[bytes], shape: DirectoryLimits) -> None:
    wanted = [Name(name, number + 1, 1) for number, name in enumerate(names)]

    blocks = list(directory_blocks.linear(wanted, shape))

    found = [record for block in blocks for record in records(block)]
    tails = [record for record in found if record[2] == 0xDE]
    assert [(name, inode, kind) for inode, name, kind in found if inode] == wanted
    assert len(tails) == (len(blocks) if shape.has_checksums else 0)
    assert all(len(block) == 1024 for block in blocks)


def test_without_the_feature_names_carry_no_type() -> None:
    shape = PLAIN._replace(has_types=False)

    (block,) = directory_blocks.linear([Name(b"log", 12, 2)], shape)

    assert list(records(block)) == [(12, b"log", 0)]


def test_a_record_of_64_kib_is_written_as_the_largest_number() -> None:
    block = directory_blocks.encode([], PLAIN._replace(block_size=1 << 16))

    assert struct.unpack_from("<IH", block) == (0, 0xFFFF)


# "Hash Tree Directories", struct dx_root: info at 0x18, limit and count at 0x20, entries at 0x28;
# struct dx_node: limit and count at 0x8.
def test_a_root_is_as_the_kernels_documents_say() -> None:
    branches = [Branch(0, 1), Branch(0x4000_0000, 2), Branch(0x8000_0001, 3)]

    root, nodes = directory_blocks.index_blocks(branches, 12, 2, SUMMED, 1)

    assert nodes == []
    assert struct.unpack_from("<IHBB", root, 0) == (12, 12, 1, 2)
    assert root[8:9] == b"."
    assert struct.unpack_from("<IHBB", root, 12) == (2, 1012, 2, 2)
    assert root[20:22] == b".."
    assert struct.unpack_from("<IBBBB", root, 0x18) == (0, 1, 8, 0, 0)
    assert struct.unpack_from("<HHI", root, 0x20) == ((1024 - 32 - 8) // 8, 3, 1)
    assert struct.unpack_from("<IIII", root, 0x28) == (0x4000_0000, 2, 0x8000_0001, 3)


def test_more_leaves_than_the_root_holds_get_nodes() -> None:
    branches = [Branch(number * 2, number + 1) for number in range(300)]

    root, nodes = directory_blocks.index_blocks(branches, 12, 2, PLAIN, 1)

    assert struct.unpack_from("<B", root, 0x1E) == (1,)
    assert struct.unpack_from("<HHI", root, 0x20) == (124, 3, 301)
    assert len(nodes) == 3 == directory_blocks.index_node_count(300, PLAIN)
    assert struct.unpack_from("<IHBB", nodes[0], 0) == (0, 1024, 0, 0)
    assert struct.unpack_from("<HHI", nodes[1], 8) == (127, 127, 128)
    assert struct.unpack_from("<II", root, 0x28) == (branches[127].hash, 302)


def test_an_index_of_three_levels_numbers_its_nodes_through() -> None:
    shape = PLAIN._replace(levels=2)
    count = 124 * 127 + 1
    branches = [Branch(number, number + 1) for number in range(count)]

    root, nodes = directory_blocks.index_blocks(branches, 12, 2, shape, 1)

    assert struct.unpack_from("<B", root, 0x1E) == (2,)
    assert len(nodes) == directory_blocks.index_node_count(count, shape)
    _, children, first = struct.unpack_from("<HHI", root, 0x20)
    assert (children, first) == (1, count + 125 + 1)


@given(
    items=st.lists(
        st.tuples(st.integers(0, 40), st.binary(min_size=1, max_size=120)), min_size=1, max_size=80
    )
)
def test_leaves_split_the_hashes_and_mark_where_one_goes_on(
    items: list[tuple[int, bytes]],
) -> None:
    names = sorted(
        Hashed(value * 2, number, Name(name, number + 1, 1))
        for number, (value, name) in enumerate(items)
    )

    made = list(directory_blocks.leaves(names, SUMMED))

    by_inode = {item.name.inode: item.hash for item in names}
    found = [[inode for inode, _, _ in records(leaf.block) if inode] for leaf in made]
    assert [inode for leaf in found for inode in leaf] == [item.name.inode for item in names]
    for previous, inodes, leaf in zip(found, found[1:], made[1:], strict=False):
        first = by_inode[inodes[0]]
        goes_on = by_inode[previous[-1]] == first
        assert leaf.hash == first | goes_on


@given(names=NAMES, shape=st.sampled_from([PLAIN, SUMMED, PLAIN._replace(levels=-1)]))
def test_counting_agrees_with_writing(names: list[bytes], shape: DirectoryLimits) -> None:
    counter = directory_blocks.Counter(shape)
    for name in names:
        counter.add(name)
    dots = [Name(b".", 2, 2), Name(b"..", 2, 2)]
    listed = list(directory_blocks.linear([*dots, *(Name(name, 9, 1) for name in names)], shape))

    if len(listed) == 1 or shape.levels < 0:
        assert counter.blocks() == len(listed)
    else:
        hashed = [Hashed(0, n, Name(name, 9, 1)) for n, name in enumerate(names)]
        assert counter.blocks() == 1 + len(list(directory_blocks.leaves(hashed, shape)))


@pytest.mark.parametrize(("levels", "most"), [(-1, 0), (0, 124), (1, 124 * 127)])
def test_an_index_holds_only_so_many_leaves(levels: int, most: int) -> None:
    assert PLAIN._replace(levels=levels).leaves_max == most
