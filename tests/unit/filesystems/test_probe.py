"""File systems and other things, known by their signatures."""

from __future__ import annotations

import struct
import uuid

import pytest

from holdstill.filesystems import probe
from holdstill.filesystems.swap import swap_reader
from holdstill.model.layout import Ext4, Fat, Other, Raw, Swap
from support import images
from support.memory import Memory

SIZE = 1 << 20
UUID = images.UUID
RAW_UUID = uuid.UUID(UUID).bytes


@pytest.mark.parametrize("name", images.EXT)
def test_ext_file_systems_are_known(name: str) -> None:
    found = probe.probe(Memory.of(images.load(name)))

    assert isinstance(found, Ext4)
    assert found.uuid == UUID
    assert ("extent" in found.features) == name.startswith("ext4")


@pytest.mark.parametrize("name", images.FAT)
def test_fats_are_known(name: str) -> None:
    found = probe.probe(Memory.of(images.load(name)))

    assert isinstance(found, Fat)
    assert found.uuid == "A40D-85E7"


def test_a_swap_area_is_known() -> None:
    assert probe.probe(Memory.of(images.load("swap"))) == Swap(uuid=UUID, label="still")


# linux/swap.h: version 1, in the byte order of the machine.
@pytest.mark.parametrize("version", [0, 2, 0x01000000])
def test_a_swap_area_of_another_version_is_kept_as_it_is(version: int) -> None:
    source = Memory.of(images.load("swap")).with_piece(1024, struct.pack("<I", version))

    assert swap_reader.is_swap(source)
    assert probe.probe(source) == Raw(type="swap", size=source.size)


# btrfs documentation, On-disk Format: superblock at 64 KiB, magic at 0x40, fsid at 0x20, total
# bytes at 0x70, label at 0x12B.
def test_a_btrfs_is_known() -> None:
    at = 0x10000
    pieces = {at + 0x20: RAW_UUID, at + 0x40: b"_BHRfS_M", at + 0x12B: b"jetty",
              at + 0x70: struct.pack("<Q", 123456)}  # fmt: skip

    found = probe.probe(Memory(SIZE, pieces))

    assert found == Other(type="btrfs", uuid=UUID, label="jetty", size=123456)


# XFS Algorithms & Data Structures, Superblocks: big-endian; magic, block size, blocks, uuid at
# 32, label at 108.
def test_an_xfs_is_known() -> None:
    pieces = {0: b"XFSB" + struct.pack(">IQ", 4096, 100), 32: RAW_UUID, 108: b"jetty"}

    found = probe.probe(Memory(SIZE, pieces))

    assert found == Other(type="xfs", uuid=UUID, label="jetty", size=409600)


# Linux include/linux/f2fs_fs.h, struct f2fs_super_block: magic F2F52010, log2 of the block
# size at 16, blocks at 36, uuid at 108, label in UTF-16 at 124.
def test_an_f2fs_is_known() -> None:
    at = 1024
    pieces = {at: struct.pack("<I", 0xF2F52010), at + 16: struct.pack("<I", 12),
              at + 36: struct.pack("<Q", 100), at + 108: RAW_UUID,
              at + 124: "jetty".encode("utf-16-le")}  # fmt: skip

    found = probe.probe(Memory(SIZE, pieces))

    assert found == Other(type="f2fs", uuid=UUID, label="jetty", size=409600)


# Names as blkid prints them; signatures: util-linux libblkid/src/superblocks, luks.c, lvm.c,
# linux_raid.c, squashfs.c, erofs.c, exfat.c, ntfs.c, ubi.c and bcache.c.
@pytest.mark.parametrize(
    ("offset", "magic", "kind"),
    [
        (0, b"LUKS\xba\xbe", "crypto_LUKS"),
        (24, b"LVM2 001", "LVM2_member"),
        (536, b"LVM2 001", "LVM2_member"),
        (4096, struct.pack("<I", 0xA92B4EFC), "linux_raid_member"),
        (0, b"hsqs", "squashfs"),
        (1024, struct.pack("<I", 0xE0F5E1E2), "erofs"),
        (3, b"EXFAT   ", "exfat"),
        (3, b"NTFS    ", "ntfs"),
        (0, b"UBI#", "ubi"),
        (4096 + 24, bytes.fromhex("c68573f64e1a45ca8265f57f48ba6d81"), "bcache"),
        (4096 + 24, bytes.fromhex("c68573f666ce90a9d96a60cf803df7ef"), "bcachefs"),
    ],
)
def test_other_things_are_named_and_kept_as_they_are(offset: int, magic: bytes, kind: str) -> None:
    assert probe.probe(Memory(SIZE, {offset: magic})) == Raw(type=kind, size=SIZE)


# Linux include/uapi/linux/raid/md_p.h, MD_NEW_SIZE_SECTORS: 0.90 begins 64 to 128 KiB before the
# end, at a multiple of 64 KiB. drivers/md/md.c, super_1_load: 1.0 begins 8 to 12 KiB before it, at
# a multiple of 4 KiB. tests/tools/test_probe.py asks blkid.
@pytest.mark.parametrize(
    ("size", "at", "magic"),
    [
        (SIZE, SIZE - 65536, struct.pack("<I", 0xA92B4EFC)),
        (SIZE, SIZE - 65536, struct.pack(">I", 0xA92B4EFC)),
        (SIZE + 512, SIZE - 65536, struct.pack("<I", 0xA92B4EFC)),
        (SIZE, SIZE - 8192, struct.pack("<I", 0xA92B4EFC)),
        (SIZE + 4095, SIZE - 8192, struct.pack("<I", 0xA92B4EFC)),
    ],
)
def test_an_array_whose_superblock_is_at_the_end_is_known(
    size: int, at: int, magic: bytes
) -> None:
    assert probe.probe(Memory(size, {at: magic})) == Raw(type="linux_raid_member", size=size)


@pytest.mark.parametrize("size", [0, 1, 512, 2047, SIZE])
def test_nothing_is_nothing(size: int) -> None:
    assert probe.probe(Memory(size, {})) == Raw(size=size)


def test_a_fat_on_a_former_btrfs_is_a_fat() -> None:
    source = Memory.of(images.load("fat12")).with_piece(0x10040, b"_BHRfS_M")

    assert isinstance(probe.probe(source), Fat)
