"""FATs inside a card's image, judged by mtools, fsck.vfat and blkid."""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import SecurityError, TargetRefusedError, VerificationError
from holdstill.filesystems.fat import fat_reader, fat_writer
from holdstill.filesystems.fat.fat_boot_sector import BootSector
from holdstill.filesystems.file_tree import Content
from holdstill.model.entries import Entry, EntryType, Omitted, differences
from holdstill.model.layout import Fat
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from support import loop, programs
from support.contents import MOMENT, FolderContents, a_file, a_folder, in_order

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1 << 20
OFFSET = 4 * MIB
READ_ONLY, HIDDEN, SYSTEM, ARCHIVE = 0x01, 0x02, 0x04, 0x20

# Values that mkfs.vfat gives these sizes by itself: STANDARDS section 3, measured apart from us.
FAT16 = Fat(
    bits=16,
    volume_id=0xA40D85E7,
    label="BOOTFS",
    sectors_per_cluster=4,
    reserved_sectors=4,
    root_entries=512,
    sectors=131072,
    clusters=32695,
    hidden_sectors=8192,
    oem="mkfs.fat",
)
FAT32 = Fat(
    bits=32,
    volume_id=0xA40D85E7,
    label="BOOTFS",
    sectors_per_cluster=8,
    reserved_sectors=32,
    sectors=1048572,
    clusters=130811,
    hidden_sectors=8192,
    oem="pier-3",
)
FAT12 = Fat(
    bits=12,
    volume_id=1,
    sectors_per_cluster=8,
    reserved_sectors=8,
    root_entries=512,
    sectors=16384,
    clusters=2041,
)


class Card:
    """An image with room for a FAT behind a gap, full of rubbish if need be."""

    def __init__(self, folder: Path, parameters: Fat) -> None:
        self.folder = folder
        self.size = max(parameters.sectors * 512, 8 * MIB)
        self.image = loop.blank_image(folder / "card.img", size=OFFSET + self.size + MIB)
        self.contents = FolderContents(folder / "content")

    def make(self, parameters: Fat, entries: list[Entry]) -> None:
        fat_writer.make(
            self.image,
            offset=OFFSET,
            size=self.size,
            parameters=parameters,
            entries=in_order(entries),
            contents=self.contents,
            machine=LocalRunner(),
        )

    @property
    def address(self) -> str:
        return f"{self.image}@@{OFFSET}"

    def read(self, name: str) -> bytes:
        return programs.run("mtype", "-i", self.address, f"::/{name}")

    def check(self) -> None:
        """Let fsck.vfat, which knows no offset, judge the partition."""
        part = self.folder / "part.img"
        words = (f"if={self.image}", f"of={part}", "bs=1M", f"skip={OFFSET // MIB}")
        programs.run("dd", *words, "conv=sparse", f"count={-(-self.size // MIB)}", "status=none")
        said = programs.run("fsck.vfat", "-n", "-v", part)
        assert b"Dirty bit" not in said

    def boot_sector(self, number: int = 0) -> bytes:
        with self.image.open("rb") as image:
            image.seek(OFFSET + 512 * number)
            return image.read(512)


@pytest.mark.parametrize("parameters", [FAT12, FAT16, FAT32])
def test_an_empty_fat_is_laid_out_as_recorded(tmp_path: Path, parameters: Fat) -> None:
    card = Card(tmp_path, parameters)

    card.make(parameters, [])

    boot = BootSector.parse(card.boot_sector(), bits=parameters.bits)
    assert boot.strangeness(parameters) == 0
    said = programs.run("blkid", "-p", "-O", str(OFFSET), "-o", "export", card.image).decode()
    assert f"UUID={parameters.uuid}\n" in said
    assert f"VERSION=FAT{parameters.bits}\n" in said
    assert ("LABEL=BOOTFS\n" in said) == (parameters.label == "BOOTFS")
    card.check()


# Fields: FAT: General Overview of On-Disk Format; the table in STANDARDS section 3.
def test_hidden_sectors_media_and_oem_name_are_kept_in_both_boot_sectors(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT32)

    card.make(FAT32, [])

    for number in (0, 6):
        boot = card.boot_sector(number)
        assert boot[3:11] == b"pier-3  "
        assert boot[21] == 0xF8
        assert boot[28:32] == (8192).to_bytes(4, "little")
        assert boot[67:71] == bytes.fromhex("e7850da4")


def test_a_layout_of_another_maker_is_met(tmp_path: Path) -> None:
    # One reserved sector, as `mkfs.vfat -a` and most other tools leave it on FAT16.
    unaligned = msgspec.structs.replace(FAT16, reserved_sectors=1)
    card = Card(tmp_path, unaligned)

    card.make(unaligned, [])

    boot = BootSector.parse(card.boot_sector(), bits=unaligned.bits)
    assert (boot.reserved, boot.clusters) == (1, 32695)
    card.check()


def test_files_keep_content_names_times_and_attributes(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    kept = card.contents
    entries = [
        a_folder(b""),
        a_file(kept, b"cmdline.txt", b"root=PARTUUID=9a3c5d2e-02\n", flags=ARCHIVE),
        a_file(kept, b"KERNEL8.IMG", os.urandom(3_000_000), flags=READ_ONLY | SYSTEM),
        a_file(kept, b".hidden", b"h", flags=HIDDEN | ARCHIVE),
        a_file(kept, b"empty", b"", flags=0),
        a_folder(b"overlays", mtime_ns=MOMENT - 10**12),
        a_file(
            kept, b"overlays/A long name, with [brackets] \xc3\xa9.dtbo", b"x", flags=READ_ONLY
        ),
        a_folder(b"overlays/none", flags=HIDDEN),
    ]

    card.make(FAT16, entries)

    card.check()
    for entry in entries:
        if entry.digest:
            pattern = entry.path.decode().replace("[", "\\[").replace("]", "\\]")
            wanted = (kept.folder / entry.digest.hex()).read_bytes()
            assert card.read(pattern) == wanted
    attributes = programs.run("mattrib", "-i", card.address, "-/", "::/").decode()
    listed = {line[13:].removeprefix("::/"): line[:12].split() for line in attributes.splitlines()}
    assert listed.pop("") == []
    assert listed == {
        "cmdline.txt": ["A"],
        "KERNEL8.IMG": ["S", "R"],
        ".hidden": ["A", "H"],
        "empty": [],
        "overlays": [],
        "overlays/A long name, with [brackets] é.dtbo": ["R"],
        "overlays/none": ["H"],
    }


def test_times_are_those_of_the_entries(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    second = 10**9
    entries = [
        a_folder(b"old", mtime_ns=315_532_800 * second),  # 1980-01-01, the first day of FAT
        a_file(card.contents, b"old/file", b"x", mtime_ns=1_000_000_002 * second),
        a_file(card.contents, b"now", b"y", mtime_ns=MOMENT),
    ]

    card.make(FAT16, entries)

    back = tmp_path / "back"
    back.mkdir()
    words = ("mcopy", "-s", "-m", "-n", "-i", card.address, "::/old", "::/now", back)
    programs.run("env", "TZ=UTC", *words)
    assert (back / "old/file").stat().st_mtime_ns == 1_000_000_002 * second
    assert (back / "now").stat().st_mtime_ns == MOMENT
    listing = programs.run("env", "TZ=UTC", "mdir", "-i", card.address, "::/").decode()
    (line,) = [row for row in listing.splitlines() if row.endswith(" old")]
    assert "1980-01-01" in line


def test_old_contents_of_a_used_card_do_not_shine_through(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    with card.image.open("r+b") as image:
        image.write(b"\xff" * (OFFSET + 8 * MIB))

    card.make(FAT16, [a_file(card.contents, b"only", b"one")])

    assert card.read("only") == b"one"
    card.check()
    listing = programs.run("mdir", "-i", card.address, "-b", "::/").decode()
    assert listing.split() == ["::/only"]


@pytest.mark.parametrize("form", [b"tide-reading-%05d.csv", b"%05x.dtbo", b"IMG_%04d.JPG"])
def test_thousands_of_names_in_one_directory(tmp_path: Path, form: bytes) -> None:
    card = Card(tmp_path, FAT32)
    entries = [a_folder(b"log", mtime_ns=MOMENT - 10**12)]
    entries += [a_file(card.contents, b"log/" + form % n, b"%d" % n) for n in range(5000)]

    started = time.monotonic()
    card.make(FAT32, entries)
    took = time.monotonic() - started

    assert took < 15  # it is linear: mcopy's time grows with the cube of such names
    card.check()
    names = programs.run("mdir", "-i", card.address, "-b", "::/log").decode().splitlines()
    assert sorted(names) == sorted(f"::/{entry.path.decode()}" for entry in entries[1:])
    assert card.read(f"log/{(form % 4999).decode()}") == b"4999"
    listing = programs.run("env", "TZ=UTC", "mdir", "-i", card.address, "::/").decode()
    (line,) = [row for row in listing.splitlines() if row.endswith(" log")]
    assert "2023-11-14" in line


@pytest.mark.parametrize("parameters", [FAT12, FAT16, FAT32])
def test_our_own_reader_finds_every_field_again(tmp_path: Path, parameters: Fat) -> None:
    card = Card(tmp_path, parameters)
    kept = card.contents
    entries = [
        a_folder(b""),
        a_file(kept, b"bootcode.bin", os.urandom(5000), flags=ARCHIVE),
        a_file(kept, b"UPPER.TXT", b"u", flags=READ_ONLY),
        a_file(kept, b"Mixed.Txt", b"m", mtime_ns=315_532_800 * 10**9),
        a_file(kept, b".hidden", b"h", flags=HIDDEN | SYSTEM),
        a_file(kept, b"no-extension-and-long", b"n", mtime_ns=4_354_819_198 * 10**9),
        a_file(kept, b"two.dots.here", b"2"),
        a_file(kept, b"UPPER~1.TXT", b"taken"),
        a_file(kept, b"upper and longer.txt", b"tail"),
        a_file(kept, "\u6f6e\u4f4d \U0001f30a.txt".encode(), b"tide"),
        a_file(kept, b"x" * 255, b"longest"),
        a_folder(b"deep", flags=HIDDEN),
        *(a_folder(b"deep" + b"/d" * n) for n in range(1, 30)),
        a_file(kept, b"deep" + b"/d" * 29 + b"/file", os.urandom(100_000)),
        a_file(kept, b"empty", b""),
    ]

    card.make(parameters, entries)

    card.check()
    with byte_source.opened(card.image) as image:
        found = list(fat_reader.FatReader(image.window(OFFSET, card.size)).entries(Content.HASHED))
    wanted = [
        entry._replace(mtime_ns=0) if not entry.path else entry for entry in in_order(entries)
    ]
    assert list(differences(wanted, found)) == []


def test_a_file_without_a_content_is_zeroes_and_nothing_shines_through(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    with card.image.open("r+b") as image:
        image.write(b"\xff" * (OFFSET + 8 * MIB))
    lost = Entry(b"", b"lost", EntryType.FILE, size=5000, omitted=Omitted.UNREADABLE)

    card.make(FAT16, [lost, a_file(card.contents, b"short", b"s")])

    assert card.read("lost") == bytes(5000)
    card.check()
    with card.image.open("rb") as image:
        image.seek(OFFSET)
        used = image.read(BootSector.parse(card.boot_sector(), bits=16).place(2 + 3 + 1))
    assert b"s" + bytes(2047) in used
    assert b"\xff" * 100 not in used


def test_a_changed_content_is_found_while_it_is_copied(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    entry = a_file(card.contents, b"cmdline.txt", b"root=/dev/mmcblk0p2\n")
    (card.contents.folder / entry.digest.hex()).write_bytes(b"root=/dev/mmcblk0p3\n")

    with pytest.raises(VerificationError, match=r"/cmdline\.txt is not the captured one"):
        card.make(FAT16, [entry])


def test_a_shortened_content_is_found_while_it_is_copied(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    entry = a_file(card.contents, b"cmdline.txt", b"root=/dev/mmcblk0p2\n")
    (card.contents.folder / entry.digest.hex()).write_bytes(b"root")

    with pytest.raises(VerificationError, match=r"cmdline\.txt .*4 bytes instead of 20"):
        card.make(FAT16, [entry])


@pytest.mark.parametrize("names", [(b"README", b"readme"), (b"Pier-\xc3\x89", b"pier-\xc3\xa9")])
def test_names_that_differ_by_case_only_are_refused(
    tmp_path: Path, names: tuple[bytes, bytes]
) -> None:
    card = Card(tmp_path, FAT16)

    with pytest.raises(SecurityError, match="a FAT cannot hold"):
        card.make(FAT16, [a_file(card.contents, name, b"x") for name in names])


def test_what_is_no_file_or_folder_is_refused(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    link = Entry(b"", b"link", EntryType.SYMLINK, target=b"/etc/passwd")

    with pytest.raises(SecurityError, match="a FAT cannot hold link"):
        card.make(FAT16, [link])


def test_a_name_that_leads_out_of_the_file_system_is_refused(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT16)
    entry = a_file(card.contents, b"name", b"x")._replace(name=b"..")

    with pytest.raises(SecurityError, match="not a file name"):
        card.make(FAT16, [entry])


def test_a_full_fat_is_told(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT12)
    entry = a_file(card.contents, b"large", os.urandom(9 * MIB))

    with pytest.raises(TargetRefusedError, match=r"the FAT is full: it has 2041 clusters of 4096"):
        card.make(FAT12, [entry])


def test_a_fat_is_filled_to_its_last_cluster(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT12)
    entry = a_file(card.contents, b"large", os.urandom(2041 * 4096))

    card.make(FAT12, [entry])

    card.check()
    assert card.read("large") == (card.contents.folder / entry.digest.hex()).read_bytes()


def test_a_root_directory_with_too_many_names_is_told(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT12)
    entries = [a_file(card.contents, b"%08d" % n, b"") for n in range(513)]

    with pytest.raises(TargetRefusedError, match="more names than its 512 slots hold"):
        card.make(FAT12, entries)


@pytest.mark.parametrize("path", [b"nowhere/file", b"file/below"])
def test_an_entry_below_what_is_no_directory_is_refused(tmp_path: Path, path: bytes) -> None:
    card = Card(tmp_path, FAT16)
    entries = [a_file(card.contents, b"file", b"f"), a_file(card.contents, path, b"x")]

    with pytest.raises(SecurityError, match="is no directory"):
        card.make(FAT16, entries)


def test_a_partition_that_is_too_small_is_refused_before_anything_is_written(
    tmp_path: Path,
) -> None:
    card = Card(tmp_path, FAT12)

    with pytest.raises(TargetRefusedError, match="does not fit a partition"):
        card.make(FAT32, [])

    assert card.image.stat().st_blocks == 0


def test_a_fat_without_a_recorded_size_fills_its_partition(tmp_path: Path) -> None:
    card = Card(tmp_path, FAT32)
    parameters = msgspec.structs.replace(FAT32, sectors=0, clusters=0)

    card.make(parameters, [])

    boot = BootSector.parse(card.boot_sector(), bits=parameters.bits)
    assert boot.sectors == FAT32.sectors
    card.check()
