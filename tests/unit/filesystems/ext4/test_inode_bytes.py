from __future__ import annotations

import os
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdstill.filesystems.ext4 import inode_bytes
from holdstill.filesystems.ext4.inode_bytes import Blocks
from holdstill.model.entries import Entry, EntryType

SECOND = 10**9
FILE = Entry(b"", b"ledger", EntryType.FILE, mode=0o4750, uid=70_000, gid=2**32 - 2, flags=0x10)


# Linux Documentation/filesystems/ext4/inodes.rst, "Inode Timestamps": the table of the extra
# epoch bits, with the first and last moment of each.
@pytest.mark.parametrize(
    ("seconds", "low", "epoch"),
    [
        (-0x80000000, 0x80000000, 0),
        (-1, 0xFFFFFFFF, 0),
        (0, 0, 0),
        (0x7FFFFFFF, 0x7FFFFFFF, 0),
        (0x80000000, 0x80000000, 1),
        (0xFFFFFFFF, 0xFFFFFFFF, 1),
        (0x100000000, 0, 1),
        (0x17FFFFFFF, 0x7FFFFFFF, 1),
        (0x180000000, 0x80000000, 2),
        (0x1FFFFFFFF, 0xFFFFFFFF, 2),
        (0x200000000, 0, 2),
        (0x27FFFFFFF, 0x7FFFFFFF, 2),
        (0x280000000, 0x80000000, 3),
        (0x2FFFFFFFF, 0xFFFFFFFF, 3),
        (0x300000000, 0, 3),
        (0x37FFFFFFF, 0x7FFFFFFF, 3),
    ],
)
def test_moments_are_encoded_as_the_kernels_documents_say(
    seconds: int, low: int, epoch: int
) -> None:
    assert inode_bytes.time_fields(seconds * SECOND + 7, 256) == (low, 7 << 2 | epoch)


def test_what_an_inode_cannot_say_becomes_the_nearest() -> None:
    assert inode_bytes.time_fields(-(2**31 + 9) * SECOND, 256) == (0x80000000, 0)
    assert inode_bytes.time_fields(2**40 * SECOND, 256) == (0x7FFFFFFF, 3)
    assert inode_bytes.time_fields(2**31 * SECOND, 128)[0] == 0x7FFFFFFF


@pytest.mark.parametrize(
    ("moment", "size", "kept"),
    [
        (5, 256, True),
        (5, 128, False),
        (SECOND, 128, True),
        (2**31 * SECOND, 128, False),
        (0x37FFFFFFF * SECOND + SECOND - 1, 256, True),
        (0x380000000 * SECOND, 256, False),
        (-(2**31) * SECOND, 128, True),
        (-(2**31) * SECOND - 1, 256, False),
    ],
)
def test_it_is_known_which_moments_are_kept(*, moment: int, size: int, kept: bool) -> None:
    assert inode_bytes.time_is_kept(moment, size) is kept


# inodes.rst: i_mode 0x0, i_uid 0x2, i_size_lo 0x4, i_gid 0x18, i_links_count 0x1A, i_blocks_lo
# 0x1C, i_flags 0x20, i_size_high 0x6C, l_i_uid_high 0x78, l_i_gid_high 0x7A, i_extra_isize 0x80.
def test_fields_are_where_the_kernels_documents_say() -> None:
    blocks = Blocks(size=5 << 32 | 9, sectors=80, map=b"m" * 60, flags=0x80000)

    raw = inode_bytes.encode(FILE._replace(project=0xFEDCBA98), blocks, size=256, links=3)

    assert struct.unpack_from("<II", raw, 0x98) == (0, 0xFEDCBA98)  # i_version_hi, i_projid
    assert struct.unpack_from("<HHI", raw, 0) == (0o104750, 70_000 & 0xFFFF, 9)
    assert struct.unpack_from("<HHII", raw, 0x18) == (0xFFFE, 3, 80, 0x80010)
    assert raw[0x28:0x64] == b"m" * 60
    assert struct.unpack_from("<I", raw, 0x6C) == (5,)
    assert struct.unpack_from("<HH", raw, 0x78) == (1, 0xFFFF)
    assert struct.unpack_from("<H", raw, 0x80) == (32,)
    assert len(raw) == 256


def test_an_old_inode_has_no_extra_fields() -> None:
    assert len(inode_bytes.encode(FILE, Blocks(), size=128, links=1)) == 128


def test_only_files_and_directories_have_flags() -> None:
    node = FILE._replace(type=EntryType.FIFO)

    raw = inode_bytes.encode(node, Blocks(), size=256, links=1)

    assert struct.unpack_from("<I", raw, 0x20) == (0,)


# linux/kdev_t.h, old_encode_dev and new_encode_dev, as fs/ext4/inode.c stores them.
@pytest.mark.parametrize(
    ("major", "minor", "words"),
    [
        (5, 1, (0x0501, 0)),
        (0, 0, (0, 0)),
        (255, 255, (0xFFFF, 0)),
        (179, 256, (0, 0x0010B300)),
        (300, 70_000, (0, 70_000 & 0xFF | 300 << 8 | (70_000 & ~0xFF) << 12)),
    ],
)
def test_device_numbers_are_stored_as_the_kernel_does(
    major: int, minor: int, words: tuple[int, int]
) -> None:
    assert struct.unpack("<II", inode_bytes.device_map(os.makedev(major, minor))) == words


# ifork.rst, "Extent Tree": header 0xF30A, entries, max, depth, generation; then ee_block, ee_len,
# ee_start_hi, ee_start_lo. A length above 32768 is one of blocks that were never written.
def test_extents_are_written_as_the_kernels_documents_say() -> None:
    raw = inode_bytes.extent_header([(0, 0x123456789A, 7, True), (9, 50, 3, False)])

    assert struct.unpack_from("<HHHHI", raw) == (0xF30A, 2, 4, 0, 0)
    assert struct.unpack_from("<IHHI", raw, 12) == (0, 7, 0x12, 0x3456789A)
    assert struct.unpack_from("<IHHI", raw, 24) == (9, 32768 + 3, 0, 50)


def test_more_extents_than_fit_leave_the_map_empty() -> None:
    raw = inode_bytes.extent_header([(number, number, 1, True) for number in range(5)])

    assert struct.unpack("<HHHHI", raw) == (0xF30A, 0, 4, 0, 0)


# attributes.rst: an entry has 16 bytes, its name without the prefix, and a value, each padded to
# 4; ACLs have an empty name and entries of 4 bytes, 8 with an id (fs/ext4/acl.h).
@pytest.mark.parametrize(
    ("name", "value", "size"),
    [
        ("user.a", b"", 20),
        ("user.abcd", b"12345", 28),
        ("trusted.t", b"1234", 24),
        ("security.capability", bytes(20), 48),
        ("user.trusted.x", b"", 28),
        ("system.posix_acl_access", struct.pack("<IHHiHHi", 2, 1, 6, -1, 2, 6, 1000), 32),
    ],
)
def test_the_size_of_an_attribute_is_known(name: str, value: bytes, size: int) -> None:
    assert inode_bytes.xattr_size(name, value) == size


XATTRS = st.dictionaries(
    st.sampled_from([f"user.{letter * length}" for letter in "abc" for length in (1, 4, 9)]),
    st.binary(max_size=60),
)


@given(xattrs=XATTRS, inode_size=st.sampled_from([128, 256, 512]))
def test_as_much_as_possible_goes_into_the_inode(
    xattrs: dict[str, bytes], inode_size: int
) -> None:
    packing = inode_bytes.pack_xattrs(xattrs, inode_size=inode_size)

    assert sorted(packing.order) == sorted(xattrs.items())
    room = max(inode_size - 128 - 32 - 8, 0)
    left, outside = room, 0
    for name, value in packing.order:  # as the library does it: first fit
        size = inode_bytes.xattr_size(name, value)
        if size <= left:
            left -= size
        else:
            outside += size
    assert outside == packing.in_block
    if sum(inode_bytes.xattr_size(*item) for item in xattrs.items()) <= room:
        assert packing.in_block == 0


def test_a_directory_gets_its_blocks_beside_what_it_had() -> None:
    raw = bytearray(inode_bytes.encode(FILE, Blocks(sectors=8), size=256, links=2))

    changed = inode_bytes.as_directory(raw, Blocks(8192, 16, b"map", 0x81000), 5)

    assert struct.unpack_from("<I", changed, 4) == (8192,)
    assert struct.unpack_from("<HII", changed, 26) == (5, 24, 0x81010)
    assert changed[40:100] == b"map".ljust(60, b"\0")
