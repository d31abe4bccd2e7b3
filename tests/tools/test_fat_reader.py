"""The FAT reader against dosfstools and mtools: what they made, as they themselves show it."""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import VerificationError
from holdstill.filesystems.fat import fat_reader
from holdstill.filesystems.file_tree import Content
from holdstill.model import entries as entry_streams
from holdstill.model.entries import EntryType
from holdstill.system import byte_source
from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.model.layout import Fat

MIB = 1 << 20
KINDS = {
    "FAT12": (4 * MIB, ["-F", "12"]),
    "FAT16": (32 * MIB, ["-F", "16"]),
    "FAT32": (64 * MIB, ["-F", "32", "-s", "1"]),
    "FAT16, one table": (32 * MIB, ["-F", "16", "-f", "1"]),
    "FAT32, sectors of 4 KiB": (320 * MIB, ["-F", "32", "-S", "4096", "-s", "1"]),
}
# Not beyond the basic plane: mtools 4.0.32 writes U+1F30A as U+F30A.
NAMES = (
    "kernel8.img", "CONFIG.TXT", "Config.bak", "bcm2711-rpi-4-b.dtb", "lower.txt", "UPPER.low",
    "no extension", "two.dots.here", "Überlauf.txt", "日本の港.txt", "ж" * 100, "x" * 255,
    "thirteen char", "twenty-six characters long", "~tilde~1.txt", "a+b,c;d=e[f].txt",
    "-dash",
)  # fmt: skip


def made(path: Path, kind: str, *words: str) -> Path:
    size, options = KINDS[kind]
    loop.blank_image(path, size=size)
    programs.run("mkfs.vfat", "-i", "A40D85E7", "-n", "PIER", *options, *words, path)
    return path


def mtools(*words: str) -> bytes:
    plain = ("env", "TZ=UTC", "LC_ALL=C.UTF-8", "MTOOLS_SKIP_CHECK=1")
    return programs.run(*plain, *words)


def parameters(image: Path) -> Fat:
    with byte_source.opened(image) as opened:
        return fat_reader.FatReader(opened).parameters()


@dataclass(frozen=True)
class Placed:
    """A file of the tree that mcopy copies in."""

    path: bytes
    content: bytes
    seconds: int


def plain_tree(top: Path) -> list[Placed]:
    """Make a tree with odd names and times; returns its files."""
    (top / "overlays" / "inner").mkdir(parents=True)
    found = []
    for number, name in enumerate(NAMES):
        found.append(_placed(top, name, name.encode() * (number * 37), number))
    found.append(_placed(top, "overlays/big.dtbo", os.urandom(700_001), 40))
    found.append(_placed(top, "overlays/inner/empty", b"", 41))
    found += [_placed(top, f"overlays/inner/{n:03}.dtbo", b"%d" % n, n % 40) for n in range(150)]
    return sorted(found, key=lambda file: file.path)


def _placed(top: Path, name: str, content: bytes, number: int) -> Placed:
    path = top / name
    path.write_bytes(content)
    seconds = 315_532_800 + number * 90_000_002  # from 1980 on, in steps of two seconds
    os.utime(path, (seconds, seconds))
    return Placed(name.encode(), content, seconds)


def copied(image: Path, top: Path) -> None:
    mtools("mcopy", "-i", str(image), "-s", "-m", "-Q", *(str(p) for p in top.iterdir()), "::/")


def files_in(image: Path) -> list[Entry]:
    with byte_source.opened(image) as opened:
        found = list(fat_reader.FatReader(opened).entries(Content.HASHED))
    assert found == sorted(found, key=entry_streams.key)
    return [entry for entry in found if entry.type is EntryType.FILE]


@pytest.mark.parametrize("kind", KINDS)
def test_files_that_mcopy_copied_read_back(tmp_path: Path, kind: str) -> None:
    top = tmp_path / "tree"
    wanted = plain_tree(top)
    image = made(tmp_path / "fat.img", kind)
    copied(image, top)

    found = sorted(files_in(image), key=lambda entry: entry.path)

    assert [e.path for e in found] == [w.path for w in wanted]
    assert [e.size for e in found] == [len(w.content) for w in wanted]
    assert [e.mtime_ns for e in found] == [w.seconds * 10**9 for w in wanted]
    digests = [hashlib.sha256(w.content).digest() if w.content else b"" for w in wanted]
    assert [e.digest for e in found] == digests
    assert programs.run("fsck.vfat", "-n", image)


@pytest.mark.parametrize("kind", KINDS)
def test_the_kind_and_its_numbers_are_those_that_fsck_shows(tmp_path: Path, kind: str) -> None:
    image = made(tmp_path / "fat.img", kind)
    top = tmp_path / "tree"
    plain_tree(top)
    copied(image, top)

    mine = parameters(image)

    said = programs.run("fsck.vfat", "-n", "-v", image).decode()
    number = re.search(r"(\d+) bytes per logical sector\s+(\d+) bytes per cluster", said)
    counts = re.search(r"(\d+) files, (\d+)/(\d+) clusters", said)
    tables = re.search(r"(\d+) FATs?, (\d+) bit entries", said)
    reserved = re.search(r"(\d+) reserved sector", said)
    assert number
    assert counts
    assert tables
    assert reserved
    assert mine.sector_size == int(number[1])
    assert mine.sectors_per_cluster * mine.sector_size == int(number[2])
    assert (mine.used_clusters, mine.clusters) == (int(counts[2]), int(counts[3]))
    assert (mine.fats, mine.bits) == (int(tables[1]), int(tables[2]))
    assert mine.reserved_sectors == int(reserved[1])
    assert f"FAT{mine.bits}" == kind.split(",", maxsplit=1)[0]


# STANDARDS 3, measured with mkfs.vfat 4.2: size, sectors a cluster, reserved, root entries,
# sectors, clusters, bits.
@pytest.mark.parametrize(
    ("mib", "per_cluster", "reserved", "root", "sectors", "clusters", "bits"),
    [
        (16, 4, 4, 512, 32768, 8167, 16),
        (64, 4, 4, 512, 131072, 32695, 16),
        (256, 8, 8, 512, 524288, 65467, 16),
        (512, 8, 32, 0, 1048572, 130811, 32),
    ],
)
def test_default_sizes_are_read_as_measured_with_mkfs_vfat(
    tmp_path: Path,
    mib: int,
    per_cluster: int,
    reserved: int,
    root: int,
    sectors: int,
    clusters: int,
    bits: int,
) -> None:
    image = loop.blank_image(tmp_path / "fat.img", size=mib * MIB)
    programs.run("mkfs.vfat", "-i", "A40D85E7", "-n", "BOOTFS", image)

    mine = parameters(image)

    assert (mine.sectors_per_cluster, mine.reserved_sectors) == (per_cluster, reserved)
    assert (mine.root_entries, mine.sectors) == (root, sectors)
    assert (mine.clusters, mine.bits) == (clusters, bits)
    assert (mine.uuid, mine.label, mine.oem) == ("A40D-85E7", "BOOTFS", "mkfs.fat")


@pytest.mark.parametrize("kind", ["FAT12", "FAT16", "FAT32"])
def test_attributes_are_those_that_mattrib_set(tmp_path: Path, kind: str) -> None:
    image = made(tmp_path / "fat.img", kind)
    (tmp_path / "a").write_bytes(b"x")
    wanted = {b"r": 0x21, b"h": 0x22, b"s": 0x24, b"plain": 0x20, b"none": 0x00}
    for name in wanted:
        mtools("mcopy", "-i", str(image), str(tmp_path / "a"), f"::/{name.decode()}")
    for letter in "rhs":
        mtools("mattrib", "-i", str(image), f"+{letter}", f"::/{letter}")
    mtools("mattrib", "-i", str(image), "-a", "::/none")

    found = {entry.name: entry.flags for entry in files_in(image)}

    assert found == wanted


def test_the_label_in_the_root_directory_counts(tmp_path: Path) -> None:
    image = made(tmp_path / "fat.img", "FAT32")
    mtools("mlabel", "-i", str(image), "::QUAY 7")
    with image.open("r+b") as file:  # mlabel changes both; undo the one in the boot sector
        file.seek(71)
        file.write(b"PIER       ")

    assert parameters(image).label == "QUAY 7"
    assert programs.run("blkid", "-p", "-s", "LABEL", "-o", "value", image) == b"QUAY 7\n"


def test_a_volume_without_a_label_has_none(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "fat.img", size=32 * MIB)
    programs.run("mkfs.vfat", image)

    assert parameters(image).label == ""


def test_files_are_found_whatever_the_case_of_their_letters(tmp_path: Path) -> None:
    image = made(tmp_path / "fat.img", "FAT32")
    top = tmp_path / "tree"
    plain_tree(top)
    copied(image, top)

    with byte_source.opened(image) as opened:
        volume = fat_reader.FatReader(opened)
        found = volume.find(b"OVERLAYS/Inner/EMPTY")
        text = volume.read(b"config.txt", limit=1000)
        below = [entry.path for entry in volume.children(b"Overlays")]

        assert found is not None
        assert found.path == b"overlays/inner/empty"
        assert text == b"CONFIG.TXT" * 37
        assert below == [b"overlays/big.dtbo", b"overlays/inner"]
        assert volume.find(b"overlays/nothing") is None
        with pytest.raises(VerificationError, match="larger than"):
            volume.read(b"config.txt", limit=3)


# Linux fs/fat/inode.c fat_set_state: byte 0x25 of FAT12/16 and 0x41 of FAT32, bit 0.
@pytest.mark.parametrize(("kind", "at"), [("FAT12", 0x25), ("FAT16", 0x25), ("FAT32", 0x41)])
def test_a_volume_that_is_in_use_is_dirty(tmp_path: Path, kind: str, at: int) -> None:
    image = made(tmp_path / "fat.img", kind)
    with byte_source.opened(image) as opened:
        before = fat_reader.FatReader(opened).is_dirty
    with image.open("r+b") as file:
        file.seek(at)
        file.write(b"\1")

    with byte_source.opened(image) as opened:
        after = fat_reader.FatReader(opened).is_dirty

    assert (before, after) == (False, True)


def test_a_deleted_file_is_gone_and_its_neighbours_stay(tmp_path: Path) -> None:
    image = made(tmp_path / "fat.img", "FAT16")
    top = tmp_path / "tree"
    wanted = [file.path for file in plain_tree(top)]
    copied(image, top)
    mtools("mdel", "-i", str(image), "::/two.dots.here", "::/overlays/inner/017.dtbo")

    found = {entry.path for entry in files_in(image)}

    assert found == set(wanted) - {b"two.dots.here", b"overlays/inner/017.dtbo"}


def test_a_fat32_that_is_too_small_to_be_one_is_read_as_linux_reads_it(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "fat.img", size=32 * MIB)
    programs.run("mkfs.vfat", "-F", "32", "-n", "PIER", "-i", "A40D85E7", image)

    mine = parameters(image)

    assert mine.clusters < 65525
    assert (mine.bits, mine.uuid, mine.label) == (32, "A40D-85E7", "PIER")
    assert programs.run("blkid", "-p", "-s", "VERSION", "-o", "value", image) == b"FAT32\n"
    assert files_in(image) == []
