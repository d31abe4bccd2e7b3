"""The FAT reader on small real images and on directories laid out by hand."""

from __future__ import annotations

import hashlib
import struct

import pytest

from holdstill.errors import SecurityError, VerificationError
from holdstill.filesystems.fat import fat_boot_record
from holdstill.filesystems.fat.fat_reader import FatReader
from holdstill.filesystems.file_tree import Content
from holdstill.model.entries import Entry, EntryType
from support import images
from support.memory import Memory

FILES = {
    b"A long name with \xc3\xbcn\xc3\xafcode.txt": b"x" * 3000,
    b"CONFIG.TXT": b"kernel=k\n" * 200,
    b"overlays/disable-bt.dtbo": b"dtbo",
    b"overlays/inner/empty": b"",
}
FAT12 = images.load("fat12")
BOOT = fat_boot_record.read_boot(Memory.of(FAT12))
ROOT = BOOT.first_root_sector * 512
TABLE = BOOT.reserved_sectors * 512


def entries(source: Memory) -> list[Entry]:
    return list(FatReader(source).entries(Content.HASHED))


def data_of(cluster: int) -> int:
    """Return the byte at which a cluster of the FAT12 begins."""
    return ROOT + BOOT.root_entries * 32 + (cluster - 2) * BOOT.cluster_size


@pytest.mark.parametrize("name", images.FAT)
def test_every_file_has_its_content(name: str) -> None:
    found = {e.path: e for e in entries(Memory.of(images.load(name)))}

    files = {path: e.digest for path, e in found.items() if e.type is EntryType.FILE}
    assert files == {
        path: hashlib.sha256(content).digest() if content else b""
        for path, content in FILES.items()
    }
    directories = {path for path, e in found.items() if e.type is EntryType.DIRECTORY}
    assert directories == {b"", b"overlays", b"overlays/inner"}


@pytest.mark.parametrize(("name", "bits"), [("fat12", 12), ("fat16", 16), ("fat32", 32)])
def test_parameters_are_read(name: str, bits: int) -> None:
    found = FatReader(Memory.of(images.load(name))).parameters()

    assert (found.bits, found.label, found.uuid) == (bits, "PIER", "A40D-85E7")
    assert found.used_clusters == 6 + 4 + 1 + 1 + 1 + (bits == 32)


# Directory entries by hand --------------------------------------------------------------------


def short(
    name: bytes,
    *,
    attributes: int = 0x20,
    case: int = 0,
    cluster: int = 0,
    size: int = 0,
    date: int = 0x21,
) -> bytes:
    """Lay out a directory entry (the overview, section 6)."""
    return struct.pack(
        "<11sBBBHHHHHHHI", name, attributes, case, 0, 0, 0, 0, 0, 0, date, cluster, size
    )


def long(text: bytes, alias: bytes) -> list[bytes]:
    """Lay out the slots of a long name, given in UTF-16LE (the overview, section 7)."""
    units = text + (b"\0\0" if len(text) % 26 else b"")
    units += b"\xff" * (-len(units) % 26)
    checksum = 0
    for byte in alias:
        checksum = ((checksum & 1) << 7) + (checksum >> 1) + byte & 0xFF
    slots = []
    for number in range(len(units) // 26):
        part = units[number * 26 :][:26]
        order = number + 1 | (0x40 if (number + 1) * 26 == len(units) else 0)
        slots.append(bytes([order]) + part[:10] + bytes([0x0F, 0, checksum]) + part[10:22]
                     + bytes(2) + part[22:26])  # fmt: skip
    return slots[::-1]


def with_root(*slots: bytes) -> Memory:
    """Return the FAT12 with another root directory."""
    return Memory.of(FAT12).with_piece(ROOT, b"".join(slots).ljust(BOOT.root_entries * 32, b"\0"))


def names(*slots: bytes) -> list[bytes]:
    return [entry.name for entry in entries(with_root(*slots))[1:]]


@pytest.mark.parametrize(
    ("raw", "case", "name"),
    [
        (b"KERNEL  IMG", 0, b"KERNEL.IMG"),
        (b"KERNEL  IMG", 0x18, b"kernel.img"),
        (b"KERNEL  IMG", 0x08, b"kernel.IMG"),
        (b"KERNEL  IMG", 0x10, b"KERNEL.img"),
        (b"README     ", 0, b"README"),
        (b"\x05BC     TXT", 0, b"\xcf\x83BC.TXT"),  # 0xE5: sigma in code page 437
        (b"\x9aBER    TXT", 0, "ÜBER.TXT".encode()),
    ],
)
def test_short_names_follow_their_case_bits(raw: bytes, case: int, name: bytes) -> None:
    assert names(short(raw, case=case)) == [name]


ALIAS = b"EMOJI~1 LOG"


@pytest.mark.parametrize(
    "text", ["emoji 🌊.log", "exactly 13 ch", "twenty-six characters long", "x" * 255, "日" * 85]
)
def test_long_names_become_utf_8(text: str) -> None:
    slots = long(text.encode("utf-16-le"), ALIAS)

    assert names(*slots, short(ALIAS)) == [text.encode()]


def test_half_of_a_pair_is_left_out_of_a_name() -> None:
    slots = long("a".encode("utf-16-le") + b"\x3c\xd8" + "b".encode("utf-16-le"), ALIAS)

    assert names(*slots, short(ALIAS)) == [b"ab"]


def test_a_long_name_of_another_file_is_not_taken() -> None:
    slots = long("someone else".encode("utf-16-le"), b"SOMEON~1   ")

    assert names(*slots, short(ALIAS)) == [b"EMOJI~1.LOG"]


@pytest.mark.parametrize("lost", [0, 1, 2])
def test_a_long_name_with_a_lost_part_is_not_taken(lost: int) -> None:
    slots = long(("x" * 30).encode("utf-16-le"), ALIAS)
    del slots[lost]

    assert names(*slots, short(ALIAS)) == [b"EMOJI~1.LOG"]


def test_labels_deleted_entries_and_dots_are_no_files() -> None:
    found = names(
        short(b"PIER       ", attributes=0x08),
        short(b"\xe5ONE    TXT"),
        short(b".          ", attributes=0x10),
        short(b"HERE       "),
        bytes(32),
        short(b"BEYOND     "),
    )

    assert found == [b"HERE"]


def test_attributes_that_are_restored_are_kept() -> None:
    (found,) = entries(with_root(short(b"A          ", attributes=0xE7)))[1:]

    assert found.flags == 0x27


# Linux fs/fat/misc.c, fat_time_fat2unix: month 0 and day 0 count as 1.
def test_a_missing_date_is_the_first_of_1980() -> None:
    (found,) = entries(with_root(short(b"A          ", date=0)))[1:]

    assert found.mtime_ns == 315532800 * 10**9


def test_the_root_has_no_date() -> None:
    assert entries(Memory.of(FAT12))[0] == Entry(b"", b"", EntryType.DIRECTORY)


# What must not be believed --------------------------------------------------------------------


@pytest.mark.parametrize("text", ["../x", "a/b", "..", "."])
def test_s25_names_that_lead_elsewhere_are_refused(text: str) -> None:
    slots = long(text.encode("utf-16-le"), ALIAS)

    with pytest.raises(SecurityError, match="not a file name"):
        names(*slots, short(ALIAS))


def test_s25_the_same_name_twice_is_refused() -> None:
    with pytest.raises(SecurityError, match="same name twice"):
        names(short(b"A       TXT"), short(b"A       TXT"))


def test_s25_a_name_longer_than_linux_has_is_refused() -> None:
    slots = long(("日" * 86).encode("utf-16-le"), ALIAS)

    with pytest.raises(SecurityError, match="not a file name"):
        names(*slots, short(ALIAS))


def chained(*links: tuple[int, int]) -> list[tuple[int, bytes]]:
    """Lay out entries of a FAT12: (cluster, following)."""
    table = bytearray(FAT12[TABLE : TABLE + BOOT.fat_sectors * 512])
    for cluster, following in links:
        at = cluster * 3 // 2
        pair = int.from_bytes(table[at : at + 2], "little")
        pair = pair & 0x00F | following << 4 if cluster & 1 else pair & 0xF000 | following
        table[at : at + 2] = pair.to_bytes(2, "little")
    return [(TABLE, bytes(table))]


def test_a_file_in_pieces_is_put_together() -> None:
    links = chained((100, 300), (300, 101), (101, 0xFFF))
    content = [(data_of(100), b"1" * 512), (data_of(300), b"2" * 512), (data_of(101), b"3" * 512)]
    source = with_root(short(b"PIECES     ", cluster=100, size=1100)).patched([*links, *content])

    assert FatReader(source).read(b"pieces", limit=2000) == b"1" * 512 + b"2" * 512 + b"3" * 76


@pytest.mark.parametrize("following", [0, 1, 0xFF7, 0x3000 & 0xFFF | 0xE00])
def test_a_chain_that_leads_nowhere_is_refused(following: int) -> None:
    source = with_root(short(b"A          ", cluster=100, size=1000)).patched(
        chained((100, following))
    )

    with pytest.raises(VerificationError, match="leads to cluster"):
        entries(source)


def test_s29_a_chain_that_bites_its_tail_is_refused() -> None:
    source = with_root(short(b"A          ", cluster=100, size=1 << 31)).patched(
        chained((100, 101), (101, 100))
    )

    with pytest.raises(SecurityError, match="more blocks than"):
        entries(source)


def test_s29_files_that_share_their_clusters_are_refused() -> None:
    links = [(cluster, cluster + 1) for cluster in range(100, 500)] + [(500, 0xFFF)]
    slots = (short(b"A%-10d" % number, cluster=100, size=400 * 512) for number in range(3))
    source = with_root(*slots).patched(chained(*links))

    with pytest.raises(SecurityError, match="more blocks than"):
        entries(source)


def test_a_file_that_is_shorter_than_its_size_is_refused() -> None:
    source = with_root(short(b"A          ", cluster=100, size=513)).patched(chained((100, 0xFFF)))

    with pytest.raises(VerificationError, match="'A' is cut off"):
        entries(source)


def test_clusters_behind_the_end_of_a_file_do_not_matter() -> None:
    source = with_root(short(b"A          ", cluster=100, size=512)).patched(
        chained((100, 101), (101, 102), (102, 0xFFF))
    )

    assert entries(source)[1].size == 512


def test_s26_a_directory_that_contains_itself_ends() -> None:
    itself = short(b"LOOP       ", attributes=0x10, cluster=100)
    source = with_root(itself).patched([*chained((100, 0xFFF)), (data_of(100), itself)])

    with pytest.raises(SecurityError):
        entries(source)


def test_s26_a_directory_that_leads_to_the_root_is_refused() -> None:
    with pytest.raises(SecurityError, match="leads to the root"):
        names(short(b"LOOP       ", attributes=0x10, cluster=0))


@pytest.mark.parametrize(
    ("offset", "data"),
    [
        (11, b"\0\0"),  # sectors of no bytes
        (11, b"\xff\x01"),  # sectors of 511 bytes
        (13, b"\0"),  # clusters of no sectors
        (13, b"\x03"),  # clusters of three
        (14, b"\0\0"),  # nothing reserved
        (16, b"\0"),  # no table
        (19, b"\0\0"),  # no sectors
        (19, b"\xff\xff"),  # more sectors than there are
        (21, b"\x00"),  # no medium
        (22, b"\x01\x00"),  # a table too small for its clusters
        (22, b"\xff\xff"),  # a table larger than the volume
        (510, b"\0\0"),  # no signature
    ],
)
def test_s30_a_boot_sector_with_impossible_numbers_is_refused(offset: int, data: bytes) -> None:
    with pytest.raises(VerificationError, match="no FAT"):
        FatReader(Memory.of(FAT12).with_piece(offset, data))


# Windows marks a volume in the second entry of the table, Linux in the boot sector.
@pytest.mark.parametrize(
    ("name", "offset", "data"),
    [
        ("fat16", 2, b"\xff\x7f"),
        ("fat32", 4, b"\xff\xff\xff\x07"),
    ],
)
def test_the_mark_of_other_systems_is_seen(name: str, offset: int, data: bytes) -> None:
    whole = Memory.of(images.load(name))
    boot = fat_boot_record.read_boot(whole)

    marked = whole.with_piece(boot.reserved_sectors * boot.sector_size + offset, data)

    assert not FatReader(whole).is_dirty
    assert FatReader(marked).is_dirty
