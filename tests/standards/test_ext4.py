"""ext4: Linux Documentation/filesystems/ext4/super.rst and ifork.rst, and RFC 3720 for CRC-32C."""

from __future__ import annotations

import os
import struct
import uuid

import pytest

from holdstill.errors import VerificationError
from holdstill.filesystems.ext4 import ext4_reader, ext4_superblock
from holdstill.filesystems.ext4.crc32c import crc32c
from support.memory import Memory

UUID = "3e6be9de-8139-11d1-9106-a43f08d823a6"


def superblock(*, changes: dict[int, bytes] | None = None) -> bytes:
    """Lay out a superblock by the offsets of super.rst: 64 MiB, 4 KiB blocks."""
    raw = bytearray(1024)
    struct.pack_into("<III", raw, 0x00, 16384, 16384, 819)
    struct.pack_into("<II", raw, 0x14, 0, 2)
    struct.pack_into("<IIIII", raw, 0x1C, 2, 32768, 32768, 16384, 0)
    struct.pack_into("<hHHH", raw, 0x36, -1, 0xEF53, 1, 1)
    struct.pack_into("<II", raw, 0x48, 0, 1)
    struct.pack_into("<IH", raw, 0x54, 11, 256)
    struct.pack_into("<III", raw, 0x5C, 0x3C, 0x2C2, 0x46B)
    raw[0x68:0x78] = uuid.UUID(UUID).bytes
    raw[0x78:0x88] = b"rootfs".ljust(16, b"\0")
    struct.pack_into("<H", raw, 0xFE, 64)
    raw[0x175] = 1
    for offset, data in (changes or {}).items():
        raw[offset : offset + len(data)] = data
    struct.pack_into("<I", raw, 0x3FC, crc32c(bytes(raw[:0x3FC])))
    return bytes(raw)


def test_fields_are_where_super_rst_says() -> None:
    found = ext4_superblock.parse(superblock())

    assert (found.inodes, found.blocks, found.reserved_blocks) == (16384, 16384, 819)
    assert (found.block_size, found.inode_size, found.first_inode) == (4096, 256, 11)
    assert (found.uuid, found.label) == (UUID, "rootfs")
    assert (found.max_mount_count, found.error_policy) == (-1, "continue")
    assert found.is_sound


# super.rst, feature bits; the sample is what mkfs.ext4 1.47.0 of Debian 12 makes.
def test_the_feature_bits_of_the_sample_have_their_names() -> None:
    found = ext4_superblock.parse(superblock())

    assert found.features == (
        "has_journal", "ext_attr", "resize_inode", "dir_index", "filetype", "extent", "64bit",
        "flex_bg", "sparse_super", "large_file", "huge_file", "dir_nlink", "extra_isize",
        "metadata_csum",
    )  # fmt: skip


# Measured: a mounted and busy copy of the sample has incompat 0x2C6. The bit is a state.
def test_the_bit_of_a_busy_file_system_is_no_feature() -> None:
    busy = superblock(changes={0x60: struct.pack("<I", 0x2C6)})

    found = ext4_superblock.parse(busy)

    assert found.incompat & ext4_superblock.NEEDS_RECOVERY
    assert found.features == ext4_superblock.parse(superblock()).features


@pytest.mark.parametrize(
    ("offset", "bit", "name"),
    [
        (0x60, 0x2, "filetype"),
        (0x60, 0x40, "extent"),
        (0x60, 0x100, "mmp"),
        (0x60, 0x200, "flex_bg"),
        (0x60, 0x2000, "metadata_csum_seed"),
        (0x60, 0x8000, "inline_data"),
        (0x60, 0x10000, "encrypt"),
        (0x5C, 0x4, "has_journal"),
        (0x5C, 0x8, "ext_attr"),
        (0x5C, 0x10, "resize_inode"),
        (0x5C, 0x20, "dir_index"),
        (0x5C, 0x200, "sparse_super2"),
        (0x5C, 0x400, "fast_commit"),
        (0x5C, 0x1000, "orphan_file"),
        (0x64, 0x1, "sparse_super"),
        (0x64, 0x2, "large_file"),
        (0x64, 0x8, "huge_file"),
        (0x64, 0x10, "uninit_bg"),
        (0x64, 0x20, "dir_nlink"),
        (0x64, 0x40, "extra_isize"),
        (0x64, 0x400, "metadata_csum"),
        (0x64, 0x2000, "project"),
        (0x64, 0x8000, "verity"),
    ],
)
def test_each_feature_bit_has_its_name(offset: int, bit: int, name: str) -> None:
    words = {0x5C: bytes(4), 0x60: bytes(4), 0x64: bytes(4), offset: struct.pack("<I", bit)}
    raw = superblock(changes=words)

    assert ext4_superblock.parse(raw).features == (name,)


# super.rst: crc32c(~0, first 0x3FC bytes), without a final inversion.
def test_a_wrong_superblock_checksum_is_noticed() -> None:
    raw = superblock()

    assert ext4_superblock.parse(raw).is_sound
    assert not ext4_superblock.parse(raw[:0x88] + b"/mnt" + raw[0x8C:]).is_sound


def test_another_magic_number_is_refused() -> None:
    with pytest.raises(VerificationError, match="no ext4 superblock"):
        ext4_superblock.parse(superblock(changes={0x38: b"\x53\xee"}))


# RFC 3720, B.4, and for the digits the check value of CRC-32/ISCSI in the catalogue of CRCs; after
# the final inversion that ext4 leaves out.
@pytest.mark.parametrize(
    ("data", "value"),
    [
        (b"123456789", 0xE3069283),
        (bytes(32), 0x8A9136AA),
        (b"\xff" * 32, 0x62A8AB43),
        (bytes(range(32)), 0x46DD794E),
        (bytes(range(31, -1, -1)), 0x113FDB5C),
    ],
)
def test_crc_32c_gives_its_check_values(data: bytes, value: int) -> None:
    assert crc32c(data) ^ 0xFFFFFFFF == value


# inodes.rst, Inode Timestamps: two bits extend the signed second, thirty are nanoseconds. The
# rows of its table: extra epoch bits, most significant bit of the second, first second.
@pytest.mark.parametrize(
    ("epoch", "low", "second"),
    [
        (0, 0x80000000, -0x80000000),
        (0, 0x00000000, 0),
        (1, 0x80000000, 0x80000000),
        (1, 0x00000000, 0x100000000),
        (2, 0x80000000, 0x180000000),
        (2, 0x00000000, 0x200000000),
        (3, 0x80000000, 0x280000000),
        (3, 0x00000000, 0x300000000),
    ],
)
def test_times_are_decoded_as_inodes_rst_tabulates(epoch: int, low: int, second: int) -> None:
    inode = bytearray(256)
    struct.pack_into("<H", inode, 0, 0o100644)
    struct.pack_into("<II", inode, 0x0C, low, low)
    struct.pack_into("<HHII", inode, 0x80, 32, 0, epoch, 999_999_999 << 2 | epoch)
    volume = ext4_reader.Ext4Reader(Memory(64 << 20, {1024: superblock()}))

    found = volume.parse_inode(12, bytes(inode))

    assert found.ctime_ns == second * 10**9
    assert found.mtime_ns == second * 10**9 + 999_999_999


# Linux include/linux/kdev_t.h and fs/ext4/inode.c, ext4_do_update_inode: the old form has eight
# bits for each number; the new one is minor bits 7-0, major 11-0 from bit 8 on, minor 19-8 from
# bit 20 on.
@pytest.mark.parametrize(
    ("words", "major", "minor"),
    [
        ((0x0501, 0), 5, 1),
        ((0, 0x11012C70), 300, 0x11070),
        ((0, 0x00010000), 256, 0),
        ((0, 0), 0, 0),
    ],
)
def test_device_numbers_are_unpacked(words: tuple[int, int], major: int, minor: int) -> None:
    inode = bytearray(256)
    struct.pack_into("<H", inode, 0, 0o020600)
    struct.pack_into("<H", inode, 26, 1)
    struct.pack_into("<II", inode, 40, *words)
    volume = ext4_reader.Ext4Reader(Memory(64 << 20, {1024: superblock()}))

    found = volume.entry(b"", b"node", volume.parse_inode(12, bytes(inode)))

    assert found.rdev == os.makedev(major, minor)
