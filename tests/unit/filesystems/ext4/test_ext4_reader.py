"""The ext4 reader on small real images (tests/support/images.py)."""

from __future__ import annotations

import collections
import hashlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.errors import LayoutError, SecurityError, VerificationError
from holdstill.filesystems.ext4 import ext4_file_map, ext4_superblock
from holdstill.filesystems.ext4.ext4_file_map import FileExtent
from holdstill.filesystems.ext4.ext4_reader import Ext4Reader
from holdstill.filesystems.file_tree import Content
from holdstill.model.entries import Entry, EntryType
from support import images
from support.memory import Memory

READING = b"reading\n" * 300
HOLES = b"".join(b"%d" % n + bytes(3072 - len(b"%d" % n)) if n < 99 else b"99" for n in range(100))
FILES = {
    b"a/deep/leaf": b"leaf", b"a/hard": b"two names", b"empty": b"", b"file": READING,
    b"hard": b"two names", b"holes": HOLES, b"medium": bytes(range(100)), b"tiny": b"tiny",
}  # fmt: skip


def volume(name: str = "ext4") -> Ext4Reader:
    return Ext4Reader(Memory.of(images.load(name)))


def entries(source: Memory) -> list[Entry]:
    return list(Ext4Reader(source).entries(Content.HASHED))


def by_path(name: str) -> dict[bytes, Entry]:
    return {entry.path: entry for entry in volume(name).entries(Content.HASHED)}


def inode_place(name: str, path: bytes) -> int:
    """Return the byte at which the inode of a path begins."""
    found = volume(name)
    entry = found.find(path)
    assert entry is not None
    sb = found.superblock
    index, slot = divmod(entry.seen.inode - 1, sb.inodes_per_group)
    return found.groups()[index].table + slot * sb.inode_size


@pytest.mark.parametrize("name", images.EXT)
def test_every_file_has_its_content(name: str) -> None:
    found = by_path(name)

    files = {path: e for path, e in found.items() if e.type is EntryType.FILE}
    big = {path for path in files if path.startswith(b"many/")}
    assert len(big) == 60
    assert files.keys() - big == FILES.keys()
    for path, content in FILES.items():
        assert files[path].size == len(content)
        assert files[path].digest == (hashlib.sha256(content).digest() if content else b"")


@pytest.mark.parametrize("name", images.EXT)
def test_links_nodes_and_targets_are_read(name: str) -> None:
    found = by_path(name)

    assert found[b"short"].target == b"file"
    assert found[b"long"].target == b"x" * 200
    assert found[b"fifo"].type is EntryType.FIFO
    assert (found[b"node"].type, found[b"node"].rdev) == (EntryType.CHARACTER, 0x501)
    assert found[b"hard"].link == found[b"a/hard"].link == found[b"hard"].seen.inode
    assert found[b"file"].link == 0


@pytest.mark.parametrize("name", ["ext4", "ext4-inline", "ext4-ea-inode", "ext2"])
def test_attributes_and_flags_are_read(name: str) -> None:
    found = by_path(name)

    assert found[b"tiny"].xattrs["user.note"] == b"tide"
    assert found[b"file"].xattrs == {"system.posix_acl_access": bytes.fromhex(images.ACL)}
    assert "system.data" not in found[b"tiny"].xattrs
    assert found[b"tiny"].flags == 0x40


def test_a_large_attribute_is_read_from_its_own_inode() -> None:
    assert by_path("ext4-ea-inode")[b"medium"].xattrs["user.large"] == b"L" * 1024


def test_entries_without_digests_cost_no_reading_of_files() -> None:
    source = Memory.of(images.load("ext4"))

    found = list(Ext4Reader(source).entries(Content.SKIPPED))

    assert {e.path for e in found if e.digest} == set()
    assert {e.path: e.size for e in found}[b"holes"] == len(HOLES)
    assert source.bytes_read < 100_000


def test_a_directory_sorts_before_what_is_in_it_and_after_names_with_a_dash() -> None:
    paths = [e.path for e in volume().entries(Content.SKIPPED) if e.type is EntryType.DIRECTORY]

    assert paths == [b"", b"a", b"a-b", b"lost+found", b"many", b"a/deep"]


def test_files_are_found_one_by_one() -> None:
    found = volume()

    assert found.read(b"a/deep/leaf", limit=4) == b"leaf"
    assert [e.path for e in found.children(b"a")] == [b"a/deep", b"a/hard"]
    assert found.children(b"file") == []
    assert found.find(b"") == next(iter(found.entries(Content.SKIPPED)))
    with pytest.raises(VerificationError, match="at most 3 bytes"):
        found.read(b"a/deep/leaf", limit=3)
    with pytest.raises(VerificationError, match="'short' is no regular file"):
        found.read(b"short", limit=100)


@pytest.mark.parametrize("number", [0, 1 << 31, 129])
def test_an_inode_that_is_not_there_is_refused(number: int) -> None:
    with pytest.raises(VerificationError, match=f"no inode {number}"):
        volume().inode(number)


# FAULTS S25, S26: what leads out of the tree, or twice into it.


@pytest.mark.parametrize("name", [b"../passwd.", b"a/b/c/d/e/", b"\0abcdefghi", b"..\0......."])
def test_s25_names_that_lead_elsewhere_are_refused(name: bytes) -> None:
    content = images.load("ext4")
    at = content.index(b"reading number 017") - 8
    length = content[at + 6]
    source = Memory.of(content).with_piece(at + 8, name.ljust(length, b"."))

    with pytest.raises(SecurityError, match="not a file name"):
        entries(source)


def test_s25_the_same_name_twice_is_refused() -> None:
    content = images.load("ext4")
    at = content.index(b"reading number 017")
    source = Memory.of(content).with_piece(at, b"reading number 018")

    with pytest.raises(SecurityError, match="same name twice"):
        entries(source)


def test_s26_a_directory_with_a_second_place_is_refused() -> None:
    content = images.load("ext4")
    source = Memory.of(content).with_piece(_dirent(content, b"deep"), struct.pack("<I", 2))

    with pytest.raises(SecurityError, match="'a/deep' has a second place"):
        entries(source)


def _dirent(content: bytes, name: bytes) -> int:
    """Return the byte at which the directory entry of a name begins."""
    return content.index(struct.pack("<BB", len(name), 2) + name) - 6


def test_s27_a_name_of_a_deleted_inode_is_refused() -> None:
    place = inode_place("ext4", b"tiny")
    source = Memory.of(images.load("ext4")).with_piece(place + 26, b"\0\0")

    with pytest.raises(VerificationError, match=r"'tiny' leads to inode \d+, which is deleted"):
        entries(source)


# FAULTS S29, S30: sizes that are lies.


def test_s29_a_file_that_is_larger_than_may_be_read_is_refused() -> None:
    place = inode_place("ext4", b"tiny")
    source = Memory.of(images.load("ext4")).with_piece(place + 108, b"\0\0\0\1")

    with pytest.raises(SecurityError, match="larger together"):
        entries(source)


def test_s29_two_files_cannot_claim_all_blocks() -> None:
    content = images.load("ext4")
    blocks = 1500
    extent = struct.pack("<HHHHI", 0xF30A, 1, 4, 0, 0) + struct.pack("<IHHI", 0, 1000, 0, 1)
    size = struct.pack("<I", 1000 * 1024)
    pieces = [
        (inode_place("ext4", path) + at, data)
        for path in (b"tiny", b"medium")
        for at, data in ((4, size), (40, extent))
    ]

    with pytest.raises(SecurityError, match="more blocks than the file system has"):
        entries(Memory.of(content).patched(pieces))
    assert volume().blocks == blocks


def test_an_attribute_whose_value_leads_back_to_itself_is_refused() -> None:
    name = "ext4-ea-inode"
    content = images.load(name)
    found = volume(name)
    number = next(n for n in range(12, 128) if _is_value(found, n))
    sb = found.superblock
    at = found.groups()[0].table + (number - 1) * sb.inode_size
    (flags,) = struct.unpack_from("<I", content, at + 32)
    source = Memory.of(content).with_piece(at + 32, struct.pack("<I", flags | 0x10000000))

    with pytest.raises(VerificationError, match="none for values"):
        entries(source)


def _is_value(found: Ext4Reader, number: int) -> bool:
    try:
        return bool(found.inode(number).flags & 0x200000)
    except VerificationError:
        return False


def test_an_encrypted_file_is_refused_by_name_of_what_helps() -> None:
    place = inode_place("ext4", b"file")
    source = Memory.of(images.load("ext4")).with_piece(place + 32, struct.pack("<I", 0x80800))

    with pytest.raises(LayoutError, match="encrypted"):
        entries(source)


# Extent trees and block maps by hand.


class Blocks:
    """A volume of blocks that are made up."""

    block_size = 64
    blocks = 100

    def __init__(self, content: dict[int, bytes]) -> None:
        self.content = content

    def block(self, number: int) -> bytes:
        if number not in self.content:
            raise VerificationError(f"block {number} is outside the file system")
        return self.content[number].ljust(self.block_size, b"\0")


def node(depth: int, *rows: tuple[int, int, int]) -> bytes:
    """Lay out a node: rows are (logical, length, physical), or (logical, 0, block) above."""
    body = b"".join(
        struct.pack("<IHHI", logical, length, 0, physical)
        if depth == 0
        else struct.pack("<IIHH", logical, physical, 0, 0)
        for logical, length, physical in rows
    )
    return struct.pack("<HHHHI", 0xF30A, len(rows), 4, depth, 0) + body


def extents(root: bytes, blocks: dict[int, bytes] | None = None) -> list[FileExtent]:
    return list(ext4_file_map.extent_pieces(Blocks(blocks or {}), root.ljust(60, b"\0")))


def test_written_extents_are_yielded_and_reserved_ones_are_not() -> None:
    found = extents(node(0, (0, 2, 10), (5, 32768 + 3, 20), (8, 1, 30)))

    assert found == [FileExtent(0, 10, 2), FileExtent(8, 30, 1)]


def test_an_extent_of_32768_blocks_is_written() -> None:
    large = Blocks({})
    large.blocks = 40_000

    found = list(ext4_file_map.extent_pieces(large, node(0, (0, 32768, 10)).ljust(60, b"\0")))

    assert found == [FileExtent(0, 10, 32768)]


def test_a_tree_is_walked_in_order() -> None:
    blocks = {1: node(0, (0, 1, 10)), 2: node(0, (7, 2, 20))}

    assert extents(node(1, (0, 0, 1), (5, 0, 2)), blocks) == [
        FileExtent(0, 10, 1),
        FileExtent(7, 20, 2),
    ]


@given(
    rows=st.lists(
        st.tuples(
            st.integers(0, 1), st.sampled_from([0, 1, 3, 32768, 32769]), st.integers(0, 101)
        ),
        max_size=4,
    ),
    depth=st.integers(0, 1),
    high=st.integers(0, 1),
)
def test_the_only_piece_of_a_tree_is_that_of_the_whole_walk(
    rows: list[tuple[int, int, int]], depth: int, high: int
) -> None:
    root = bytearray(node(0, *rows).ljust(60, b"\0"))
    root[6] = depth
    root[18] = high  # the upper bits of where the first extent is

    only = ext4_file_map.only_piece(Blocks({}), bytes(root))

    try:
        every = extents(bytes(root))
    except VerificationError:
        assert only is None
    else:
        is_one = len(rows) == 1 and len(every) == 1 and every[0].logical == 0
        assert only == (every[0] if is_one else None)


@pytest.mark.parametrize(
    ("root", "blocks"),
    [
        (node(0, (0, 1, 0)), {}),  # block 0 holds no content
        (node(0, (0, 1, 100)), {}),  # behind the end
        (node(0, (0, 50, 60)), {}),  # over the end
        (node(0, (0, 0, 10)), {}),  # of no length
        (node(0, (5, 1, 10), (4, 1, 11)), {}),  # backwards
        (node(0, (0, 3, 10), (2, 1, 20)), {}),  # overlapping
        (node(6, (0, 0, 1)), {}),  # too deep
        (node(1, (0, 0, 1)), {1: node(1, (0, 0, 1))}),  # a node of the wrong depth
        (node(1, (0, 0, 1), (0, 0, 1)), {1: node(0, (0, 1, 10))}),  # the same node twice
        (node(1, (0, 0, 1)), {1: node(0)}),  # an empty node
        (node(1, (9, 0, 1)), {1: node(0, (0, 1, 10))}),  # before what its parent says
        (node(1, (0, 0, 50)), {}),  # a node outside
        (b"\0" * 60, {}),  # no node at all
        (struct.pack("<HHHHI", 0xF30A, 5, 4, 0, 0), {}),  # more entries than room
    ],
)
def test_a_damaged_extent_tree_is_refused(root: bytes, blocks: dict[int, bytes]) -> None:
    with pytest.raises(VerificationError):
        extents(root, blocks)


def pointers(*numbers: int) -> bytes:
    return struct.pack(f"<{len(numbers)}I", *numbers)


def test_a_block_map_is_walked_through_all_its_levels() -> None:
    fan = Blocks.block_size // 4
    blocks = {
        20: pointers(30, 31),
        21: pointers(22),
        22: pointers(40),
        23: pointers(24),
        24: pointers(25),
        25: pointers(0, 50),
    }
    root = pointers(10, 11, 0, 13, 0, 0, 0, 0, 0, 0, 0, 0, 20, 21, 23)

    found = list(ext4_file_map.map_pieces(Blocks(blocks), root, 10**6))

    assert found == [
        FileExtent(0, 10, 2), FileExtent(3, 13, 1), FileExtent(12, 30, 2),
        FileExtent(12 + fan, 40, 1), FileExtent(12 + fan + fan**2 + 1, 50, 1),
    ]  # fmt: skip


def test_a_block_map_ends_where_the_file_does() -> None:
    root = pointers(*range(10, 22), 99, 99, 99)

    found = list(ext4_file_map.map_pieces(Blocks({}), root, 12))

    assert found == [FileExtent(0, 10, 12)]


def test_a_block_map_that_points_outside_is_refused() -> None:
    with pytest.raises(VerificationError, match="points outside"):
        list(ext4_file_map.map_pieces(Blocks({}), pointers(100, *[0] * 14), 100))


def test_s29_a_block_map_that_contains_itself_ends() -> None:
    itself = {20: pointers(*[20] * 16)}

    pieces = ext4_file_map.map_pieces(Blocks(itself), pointers(*[0] * 14, 20), 10**9)

    with pytest.raises(SecurityError, match="more nodes than"):
        collections.deque(pieces, maxlen=0)


# The superblock.


@pytest.mark.parametrize(
    ("offset", "data"),
    [
        (0x18, b"\x09"),  # blocks of 512 KiB
        (0x28, bytes(4)),  # no inodes in a group
        (0x20, bytes(4)),  # no blocks in a group
        (0x58, b"\x07\x00"),  # inodes of 7 bytes
        (0x04, b"\x01\x00\x00\x00"),  # one block
        (0x14, b"\x02"),  # begins nowhere
        (0x00, b"\xff\xff\xff\xff"),  # more inodes than groups hold
    ],
)
def test_s30_a_superblock_with_impossible_numbers_is_refused(offset: int, data: bytes) -> None:
    source = Memory.of(images.load("ext4")).with_piece(1024 + offset, data)

    with pytest.raises(VerificationError, match="impossible"):
        Ext4Reader(source).groups()


def test_an_inode_table_outside_is_refused() -> None:
    content = images.load("ext4")
    source = Memory.of(content).with_piece(2 * 1024 + 8, b"\xff\xff\xff\x00")

    with pytest.raises(VerificationError, match="inode table of group 0"):
        Ext4Reader(source).groups()


def test_copies_of_the_superblock_are_where_the_kernel_has_them() -> None:
    sb = ext4_superblock.parse(images.load("ext4")[1024:2048])

    found = [group for group in range(130) if ext4_superblock._has_super(sb, group)]

    assert found == [0, 1, 3, 5, 7, 9, 25, 27, 49, 81, 125]
