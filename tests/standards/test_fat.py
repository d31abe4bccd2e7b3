"""FAT: Microsoft, "FAT: General Overview of On-Disk Format" 1.03, and linux/msdos_fs.h."""

from __future__ import annotations

import struct

import pytest

from holdstill.errors import VerificationError
from holdstill.filesystems.fat import fat_boot_record, fat_reader, fat_slots
from support.memory import Memory


def boot_sector(
    *,
    per_cluster: int,
    reserved: int,
    root_entries: int,
    sectors: int,
    fat_sectors: int,
    volume_id: bytes = b"\xe7\x85\x0d\xa4",
) -> bytes:
    """Lay out a boot sector by the offsets of the overview, section 3."""
    raw = bytearray(512)
    is_32 = root_entries == 0
    raw[3:11] = b"mkfs.fat"
    struct.pack_into("<HBHBH", raw, 11, 512, per_cluster, reserved, 2, root_entries)
    struct.pack_into("<H", raw, 19, sectors if sectors < 65536 else 0)
    raw[21] = 0xF8
    struct.pack_into("<H", raw, 22, 0 if is_32 else fat_sectors)
    struct.pack_into("<I", raw, 32, sectors if sectors >= 65536 else 0)
    if is_32:
        struct.pack_into("<I", raw, 36, fat_sectors)
        struct.pack_into("<IHH", raw, 44, 2, 1, 6)
    extended = 66 if is_32 else 38
    raw[extended] = 0x29
    raw[extended + 1 : extended + 5] = volume_id
    raw[extended + 5 : extended + 16] = b"BOOTFS     "
    raw[510:512] = b"\x55\xaa"
    return bytes(raw)


def volume(raw: bytes, sectors: int) -> fat_boot_record.BootRecord:
    return fat_boot_record.read_boot(Memory(sectors * 512, {0: raw}))


# The overview, FAT Type Determination: fewer than 4085 clusters are a FAT12, fewer than 65525 a
# FAT16. linux/msdos_fs.h: MAX_FAT12 0xFF4, MAX_FAT16 0xFFF4, MAX_FAT32 0x0FFFFFF6.
@pytest.mark.parametrize(
    ("clusters", "bits"),
    [(1, 12), (4084, 12), (4085, 16), (65524, 16), (65525, 32), (0x0FFFFFF6, 32)],
)
def test_the_count_of_clusters_decides_the_kind(clusters: int, bits: int) -> None:
    assert fat_boot_record.bits_for(clusters) == bits


def test_the_limits_are_those_of_linux() -> None:
    assert (fat_boot_record.FAT12_MAX, fat_boot_record.FAT16_MAX, fat_boot_record.FAT32_MAX) == (
        0xFF4,
        0xFFF4,
        0x0FFFFFF6,
    )


# Measured with mkfs.vfat -i A40D85E7: MiB, sectors a cluster, reserved, root entries, sectors,
# sectors of a table, clusters, bits. A volume of 256 MiB is a FAT16, whatever its text says.
@pytest.mark.parametrize(
    ("mib", "per_cluster", "reserved", "root", "sectors", "table", "clusters", "bits"),
    [
        (16, 4, 4, 512, 32768, 32, 8167, 16),
        (64, 4, 4, 512, 131072, 128, 32695, 16),
        (256, 8, 8, 512, 524288, 256, 65467, 16),
        (512, 8, 32, 0, 1048572, 1024, 130811, 32),
    ],
)
def test_the_formula_gives_the_measured_counts(
    mib: int,
    per_cluster: int,
    reserved: int,
    root: int,
    sectors: int,
    table: int,
    clusters: int,
    bits: int,
) -> None:
    raw = boot_sector(
        per_cluster=per_cluster,
        reserved=reserved,
        root_entries=root,
        sectors=sectors,
        fat_sectors=table,
    )

    found = volume(raw, mib << 11)

    assert (found.clusters, found.bits) == (clusters, bits)


# Measured, and fstab(5): stored e7 85 0d a4, shown A40D-85E7, in upper case for UUID=.
@pytest.mark.parametrize(("root", "sectors", "table"), [(512, 131072, 128), (0, 1048572, 1024)])
def test_a_volume_id_is_written_as_fstab_writes_it(root: int, sectors: int, table: int) -> None:
    raw = boot_sector(
        per_cluster=8, reserved=32, root_entries=root, sectors=sectors, fat_sectors=table
    )

    found = fat_reader.FatReader(Memory(1 << 30, {0: raw})).parameters()

    assert found.volume_id == 0xA40D85E7
    assert found.uuid == "A40D-85E7"
    assert found.label == "BOOTFS"


def test_a_type_text_decides_nothing() -> None:
    raw = bytearray(
        boot_sector(per_cluster=8, reserved=8, root_entries=512, sectors=524288, fat_sectors=256)
    )
    raw[54:62] = b"FAT32   "

    assert volume(bytes(raw), 524288).bits == 16


def test_without_55_aa_there_is_no_fat() -> None:
    raw = boot_sector(per_cluster=8, reserved=8, root_entries=512, sectors=524288, fat_sectors=256)

    with pytest.raises(VerificationError):
        volume(raw[:510] + bytes(2), 524288)


# The overview, section 7, as Linux fs/fat/misc.c, fat_time_fat2unix, has it: bits 15-9 year since
# 1980, 8-5 month, 4-0 day; 15-11 hour, 10-5 minute, 4-0 seconds / 2. Years 1980 to 2107, steps of
# two seconds.
@pytest.mark.parametrize(
    ("year", "month", "day", "hour", "minute", "second", "unix"),
    [
        (1980, 1, 1, 0, 0, 0, 315532800),
        (2000, 2, 29, 23, 59, 58, 951868798),
        (2001, 2, 3, 4, 5, 6, 981173106),
        (2024, 12, 31, 12, 0, 0, 1735646400),
        (2099, 12, 31, 23, 59, 58, 4102444798),
        (2100, 3, 1, 0, 0, 0, 4107542400),
        (2107, 12, 31, 23, 59, 58, 4354819198),
    ],
)
def test_dates_are_unpacked(
    year: int, month: int, day: int, hour: int, minute: int, second: int, unix: int
) -> None:
    date = year - 1980 << 9 | month << 5 | day
    time = hour << 11 | minute << 5 | second // 2

    assert fat_slots.unix_ns(date, time) == unix * 10**9
