"""Partition tables: the golden vectors of UEFI Specification 5.2.1, 5.2.3, 5.3.2 and 5.3.3.

MBR-1 and GPT-1 were made by util-linux sfdisk and taken apart by independent code before this
project had any; field meanings are those of the specification and of Linux
block/partitions/{msdos,efi}.c.
"""

from __future__ import annotations

import struct
import uuid
import zlib

import pytest

from holdstill.disks import partition_table
from holdstill.errors import LayoutError
from holdstill.model.layout import Disk, Partition, TableLabel
from support.memory import Memory

DISK = 4 << 30
SECTORS = DISK // 512
MBR_1 = bytes.fromhex(
    "2e5d3c9a0000"  # 0x1b8: signature 0x9a3c5d2e
    "80820300 0cc70641 00200000 00001000"
    "00c70741 832aa0 0a 00201000 00e06f00"
    "00000000000000000000000000000000 00000000000000000000000000000000 55aa"
)
GPT_1_HEADER = bytes.fromhex(
    "4546492050415254 00000100 5c000000 61045ba1 00000000 0100000000000000 ffff7f0000000000"
    "0008000000000000 deff7f0000000000 a0b21f6e111122428333444455556666"
    "0200000000000000 80000000 80000000 4a9442f6"
)
GPT_1_ENTRY_0 = bytes.fromhex(
    "28732ac11ff8d211ba4b00a0c93ec93b 08090a0b060704458302010099aabbcc"
    "0020000000000000 ff1f100000000000 0000000000000000 62006f006f007400"
) + bytes(64)
PROTECTIVE = bytes.fromhex("00000200 eeffffff 01000000 ffff7f00")

TYPE_GUIDS = {  # UEFI 5.3.3 and the discoverable partitions specification: text, bytes on disk
    "C12A7328-F81F-11D2-BA4B-00A0C93EC93B": "28732ac11ff8d211ba4b00a0c93ec93b",
    "0FC63DAF-8483-4772-8E79-3D69D8477DE4": "af3dc60f838472478e793d69d8477de4",
    "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7": "a2a0d0ebe5b9334487c068b6b72699c7",
    "B921B045-1DF0-41C3-AF44-4C6F280D3FAE": "45b021b9f01dc341af444c6f280d3fae",
    "69DAD710-2CE4-4E3C-B16C-21A1D49ABED3": "10d7da69e42c3c4eb16c21a1d49abed3",
    "BC13C2FF-59E6-4262-A352-B275FD6F7172": "ffc213bce6596242a352b275fd6f7172",
}


def mbr_1() -> Memory:
    return Memory(DISK, {0x1B8: MBR_1})


def gpt_1_entries() -> bytes:
    """Return the array: entry 0 as published, entry 1 by the fields that are published for it."""
    second = struct.pack(
        "<16s16sQQQ72s",
        bytes.fromhex(TYPE_GUIDS["0FC63DAF-8483-4772-8E79-3D69D8477DE4"]),
        uuid.UUID("11111111-2222-4333-8444-555566667777").bytes_le,
        1056768,
        1056768 + 7329792 - 1,
        0,
        "root".encode("utf-16-le"),
    )
    return (GPT_1_ENTRY_0 + second).ljust(16384, b"\0")


def gpt_1_backup_header() -> bytes:
    """Return the header at the end of the disk, as UEFI 5.3.2 derives it from the first."""
    fields = bytearray(GPT_1_HEADER)
    struct.pack_into("<QQ", fields, 24, SECTORS - 1, 1)
    struct.pack_into("<Q", fields, 72, 8388575)
    struct.pack_into("<I", fields, 16, 0x70164F6D)
    return bytes(fields)


def gpt_1() -> Memory:
    return Memory(
        DISK,
        {
            0x1BE: PROTECTIVE,
            510: b"\x55\xaa",
            512: GPT_1_HEADER,
            1024: gpt_1_entries(),
            8388575 * 512: gpt_1_entries(),
            (SECTORS - 1) * 512: gpt_1_backup_header(),
        },
    )


# UEFI 5.2.1, table 5-1 and 5-2.
def test_mbr_1_is_read() -> None:
    found = partition_table.read(mbr_1())

    assert found == Disk(
        size=DISK,
        label=TableLabel.DOS,
        id="0x9a3c5d2e",
        partitions=(
            Partition(number=1, start=8192, size=1048576, type="c", bootable=True),
            Partition(number=2, start=1056768, size=7331840, type="83"),
        ),
    )


# Linux block/partitions/msdos.c, set_info: "%08x-%02x", lower case, the slot in hexadecimal.
def test_the_partuuids_of_mbr_1_are_those_of_the_kernel() -> None:
    found = partition_table.read(mbr_1())

    assert [found.partuuid(number) for number in (1, 2)] == ["9a3c5d2e-01", "9a3c5d2e-02"]


def test_the_slot_in_a_partuuid_is_hexadecimal() -> None:
    disk = Disk(size=DISK, label=TableLabel.DOS, id="0x0002dd75")

    # The first is the example of the kernel change that added root=PARTUUID=.
    assert disk.partuuid(1) == "0002dd75-01"
    assert disk.partuuid(17) == "0002dd75-11"


# Linux block/partitions/msdos.c: a record with another boot indicator is no partition table.
def test_a_boot_indicator_other_than_00_and_80_is_no_table() -> None:
    with pytest.raises(LayoutError, match="no partition table"):
        partition_table.read(mbr_1().with_piece(0x1BE, b"\x81"))


# UEFI 5.2.1: 55 AA at offset 510.
def test_without_55_aa_there_is_no_table() -> None:
    with pytest.raises(LayoutError, match="no partition table"):
        partition_table.read(mbr_1().with_piece(511, b"\0"))


# UEFI 5.3.2 and 5.3.3; the end of an entry is inclusive.
def test_gpt_1_is_read() -> None:
    found = partition_table.read(gpt_1())

    assert found == Disk(
        size=DISK,
        label=TableLabel.GPT,
        id="6E1FB2A0-1111-4222-8333-444455556666",
        first_lba=2048,
        last_lba=8388574,
        table_length=128,
        partitions=(
            Partition(
                number=1,
                start=8192,
                size=1048576,
                type="C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
                uuid="0B0A0908-0706-4504-8302-010099AABBCC",
                name="boot",
            ),
            Partition(
                number=2,
                start=1056768,
                size=7329792,
                type="0FC63DAF-8483-4772-8E79-3D69D8477DE4",
                uuid="11111111-2222-4333-8444-555566667777",
                name="root",
            ),
        ),
    )
    assert partition_table.warnings(gpt_1()) == ()


def test_the_partuuid_of_a_gpt_is_the_partitions_guid_in_lower_case() -> None:
    assert partition_table.read(gpt_1()).partuuid(1) == "0b0a0908-0706-4504-8302-010099aabbcc"


# The published sums of GPT-1: header A15B0461, array F642944A, second header 70164F6D.
def test_the_checksums_of_gpt_1_are_crc_32() -> None:
    bare = GPT_1_HEADER[:16] + bytes(4) + GPT_1_HEADER[20:]
    backup = gpt_1_backup_header()

    assert zlib.crc32(bare) == 0xA15B0461
    assert zlib.crc32(gpt_1_entries()) == 0xF642944A
    assert zlib.crc32(backup[:16] + bytes(4) + backup[20:]) == 0x70164F6D


# CRC-32 of IEEE 802.3 (reflected 0x04C11DB7): check value, and that of an empty entry array.
def test_crc_32_gives_its_check_values() -> None:
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert zlib.crc32(bytes(16384)) == 0xAB54D286


@pytest.mark.parametrize(
    ("offset", "data", "complaint"),
    [  # in the order of the kernel's is_gpt_valid; both copies are damaged alike
        (0, b"X", "signature"),
        (12, struct.pack("<I", 91), "header size"),
        (12, struct.pack("<I", 513), "header size"),
        (16, b"\0\0\0\0", "header checksum"),
        (40, b"\1", "header checksum"),
    ],
)
def test_a_damaged_header_is_refused(offset: int, data: bytes, complaint: str) -> None:
    damaged = gpt_1()
    for sector in (1, SECTORS - 1):
        damaged = damaged.with_piece(sector * 512 + offset, data)

    with pytest.raises(LayoutError, match=f"wrong {complaint}.*wrong {complaint}"):
        partition_table.read(damaged)


def test_a_damaged_entry_array_is_refused() -> None:
    damaged = gpt_1()
    for sector in (2, 8388575):
        damaged = damaged.with_piece(sector * 512 + 130, b"!")

    with pytest.raises(LayoutError, match="wrong entry array's checksum"):
        partition_table.read(damaged)


@pytest.mark.parametrize(("text", "raw"), TYPE_GUIDS.items())
def test_guids_are_mixed_endian_on_disk(text: str, raw: str) -> None:
    entries = bytes.fromhex(raw) + gpt_1_entries()[16:]
    header = bytearray(GPT_1_HEADER)
    struct.pack_into("<I", header, 88, zlib.crc32(entries))
    struct.pack_into("<I", header, 16, 0)
    struct.pack_into("<I", header, 16, zlib.crc32(header))

    found = partition_table.read(gpt_1().with_piece(512, bytes(header)).with_piece(1024, entries))

    assert found.partition(1).type == text


# UEFI 5.2.3: one record of type EE from sector 1 on; Linux only logs a wrong size.
def test_a_protective_record_of_the_wrong_size_is_no_obstacle() -> None:
    short = gpt_1().with_piece(0x1BE, PROTECTIVE[:12] + struct.pack("<I", 1000))

    assert partition_table.read(short).label is TableLabel.GPT


def test_a_protective_record_that_begins_elsewhere_is_refused() -> None:
    moved = gpt_1().with_piece(0x1BE, PROTECTIVE[:8] + struct.pack("<I", 63) + PROTECTIVE[12:])

    with pytest.raises(LayoutError, match="from sector 63 on"):
        partition_table.read(moved)


# U-Boot doc/board/allwinner/sunxi, doc/board/amlogic/odroid-c4, doc/board/rockchip: where boot
# ROMs look. All of it must be in what is copied before the first partition.
@pytest.mark.parametrize(
    ("family", "place"),
    [
        ("Amlogic, first sector", 0),
        ("Amlogic, end of boot code", 439),
        ("Amlogic, from sector 1", 512),
        ("Allwinner", 8 << 10),
        ("Allwinner H3 and newer", 128 << 10),
        ("Rockchip", 32 << 10),
        ("NXP i.MX8M Mini", 33 << 10),
        ("TI AM335x", 256 << 10),
    ],
)
def test_the_boot_gap_of_mbr_1_holds_every_place_where_boot_roms_look(
    family: str, place: int
) -> None:
    ranges = partition_table.gap_ranges(partition_table.read(mbr_1()))

    assert any(start <= place < end for start, end in ranges), family


def test_the_boot_gap_of_mbr_1_leaves_the_table_alone() -> None:
    assert partition_table.gap_ranges(partition_table.read(mbr_1())) == [
        (0, 440),
        (512, 8192 * 512),
    ]


# UEFI 5.3.2: 128 entries of 128 bytes from sector 2 on end at byte 17408.
def test_the_boot_gap_of_gpt_1_begins_behind_the_entries() -> None:
    assert partition_table.gap_ranges(partition_table.read(gpt_1())) == [
        (0, 440),
        (17408, 8192 * 512),
    ]
