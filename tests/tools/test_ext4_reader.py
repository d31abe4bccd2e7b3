"""The ext4 reader against e2fsprogs: what mke2fs, tune2fs and debugfs made and dumpe2fs shows."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import LayoutError, VerificationError
from holdstill.filesystems.ext4 import ext4_inodes, ext4_reader
from holdstill.filesystems.file_tree import Content
from holdstill.model import entries as entry_streams
from holdstill.system import byte_source
from support import loop, programs, reference_reader

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.layout import Ext4

MIB = 1 << 20
FEATURE_SETS = {
    "ext4": ["-t", "ext4"],
    "1 KiB blocks": ["-t", "ext4", "-b", "1024"],
    "2 KiB blocks": ["-t", "ext4", "-b", "2048"],
    "128-byte inodes": ["-t", "ext4", "-I", "128"],
    "1 KiB inodes": ["-t", "ext4", "-I", "1024"],
    "meta_bg": ["-t", "ext4", "-b", "1024", "-O", "meta_bg,^resize_inode"],
    "meta_bg 32 bit": ["-t", "ext4", "-b", "1024", "-O", "meta_bg,^resize_inode,^64bit"],
    "32 bit": ["-t", "ext4", "-O", "^64bit"],
    "uninit_bg": ["-t", "ext4", "-O", "^metadata_csum,uninit_bg"],
    "no checksums": ["-t", "ext4", "-O", "^metadata_csum,^uninit_bg"],
    "no journal": ["-t", "ext4", "-O", "^has_journal"],
    "no flex_bg": ["-t", "ext4", "-b", "1024", "-O", "^flex_bg"],
    "quota": ["-t", "ext4", "-O", "quota,project"],
    "orphan_file": ["-t", "ext4", "-O", "orphan_file,metadata_csum_seed"],
    "inline_data": ["-t", "ext4", "-O", "inline_data"],
    "ea_inode": ["-t", "ext4", "-O", "ea_inode,large_dir"],
    "casefold": ["-t", "ext4", "-O", "casefold,encrypt,verity,fast_commit,stable_inodes"],
    "bigalloc": ["-t", "ext4", "-O", "bigalloc", "-C", "16384"],
    "bigalloc 1 KiB": ["-t", "ext4", "-b", "1024", "-O", "bigalloc,meta_bg,^resize_inode"],
    "sparse_super2": ["-t", "ext4", "-b", "1024", "-O", "sparse_super2,^resize_inode"],
    "every superblock": ["-t", "ext4", "-b", "1024", "-O", "^sparse_super,^resize_inode"],
    "ext3": ["-t", "ext3"],
    "ext2": ["-t", "ext2"],
    "revision 0": ["-t", "ext2", "-r", "0", "-O", "none"],
}
TUNED = [
    "-c", "31", "-i", "30d", "-e", "remount-ro", "-r", "777", "-u", "5", "-g", "6",
    "-o", "acl,user_xattr,journal_data_ordered,discard,nodelalloc,block_validity",
    "-E", "mount_opts=commit=60,stride=4,stripe_width=16",
]  # fmt: skip
ERRORS = {"Continue": "continue", "Remount read-only": "remount-ro", "Panic": "panic"}


def made(path: Path, *words: str, size: int = 96 * MIB) -> Path:
    loop.blank_image(path, size=size)
    programs.run("mke2fs", "-q", "-F", *words, path)
    return path


def described(image: Path) -> dict[str, str]:
    """Return what dumpe2fs says of the superblock, by its own names."""
    lines = programs.run("dumpe2fs", "-h", image).decode().splitlines()
    pairs = (line.partition(":") for line in lines)
    return {name.strip(): value.strip() for name, _, value in pairs}


def parameters(image: Path) -> Ext4:
    with byte_source.opened(image) as opened:
        return ext4_reader.Ext4Reader(opened).parameters()


def check_against_dumpe2fs(image: Path) -> None:
    said, mine = described(image), parameters(image)
    features = said["Filesystem features"].replace("(none)", "").split()
    defaults = said["Default mount options"].replace("(none)", "").split()
    assert mine.uuid == said["Filesystem UUID"]
    assert mine.label == said["Filesystem volume name"].replace("<none>", "")
    assert mine.block_size == int(said["Block size"])
    assert mine.blocks == int(said["Block count"])
    assert mine.inode_size == int(said.get("Inode size", "128"))
    assert mine.inodes == int(said["Inode count"])
    assert list(mine.features) == [f for f in features if f not in {"needs_recovery"}]
    assert mine.hash_seed == said.get("Directory Hash Seed", "")
    assert mine.reserved_blocks == int(said["Reserved block count"])
    assert mine.reserved_uid == int(said["Reserved blocks uid"].split()[0])
    assert mine.reserved_gid == int(said["Reserved blocks gid"].split()[0])
    assert mine.errors == ERRORS[said["Errors behavior"]]
    assert set(mine.mount_defaults) == set(defaults)
    assert mine.mount_opts == said.get("Mount options", "")
    assert mine.journal_blocks == int(said.get("Total journal blocks", "0"))
    assert mine.max_mount_count == int(said["Maximum mount count"])
    assert mine.check_interval == int(said["Check interval"].split()[0])
    assert mine.stride == int(said.get("RAID stride", "0"))
    assert mine.stripe_width == int(said.get("RAID stripe width", "0"))
    assert mine.used_blocks == mine.blocks - int(said["Free blocks"])


@pytest.mark.parametrize("name", FEATURE_SETS)
def test_every_parameter_is_what_dumpe2fs_says(tmp_path: Path, name: str) -> None:
    image = made(tmp_path / "fs.img", "-L", "jetty root", *FEATURE_SETS[name])

    check_against_dumpe2fs(image)


def test_what_tune2fs_set_is_what_dumpe2fs_says(tmp_path: Path) -> None:
    seed = "hash_seed=01234567-89ab-cdef-0123-456789abcdef"
    image = made(tmp_path / "fs.img", "-t", "ext4", "-E", seed, "-L", "sixteen bytes ok")
    programs.run("tune2fs", *TUNED, image)

    check_against_dumpe2fs(image)

    found = parameters(image)
    assert found.hash_seed == "01234567-89ab-cdef-0123-456789abcdef"
    assert found.check_interval == 30 * 86400
    assert (found.reserved_blocks, found.reserved_uid, found.reserved_gid) == (777, 5, 6)


@pytest.mark.parametrize(
    "mode", ["journal_data", "journal_data_ordered", "journal_data_writeback"]
)
def test_the_default_journal_mode_is_told_apart(tmp_path: Path, mode: str) -> None:
    image = made(tmp_path / "fs.img", "-t", "ext4")
    programs.run("tune2fs", "-o", mode, image)

    assert mode in parameters(image).mount_defaults
    check_against_dumpe2fs(image)


@pytest.mark.parametrize("name", FEATURE_SETS)
def test_every_group_is_where_dumpe2fs_says(tmp_path: Path, name: str) -> None:
    image = made(tmp_path / "fs.img", *FEATURE_SETS[name])
    report = programs.run("dumpe2fs", image).decode()

    with byte_source.opened(image) as opened:
        volume = ext4_reader.Ext4Reader(opened)
        size, per_group = volume.block_size, volume.superblock.inodes_per_group
        found = [
            (group.table // size, group.first_inode, per_group - group.initialised)
            for group in volume.groups()
        ]

    tables = [int(number) for number in re.findall(r"Inode table at (\d+)-", report)]
    groups = re.split(r"\nGroup \d+: ", report)[1:]
    unused = [_unused(group, per_group) for group in groups]
    firsts = [1 + number * per_group for number in range(len(groups))]
    assert found == list(zip(tables, firsts, unused, strict=True))


def _unused(report: str, per_group: int) -> int:
    if "INODE_UNINIT" in report.splitlines()[0]:
        return per_group
    said = re.search(r"(\d+) unused inodes", report)
    return int(said[1]) if said else 0


# Without root: mke2fs -d copies a directory. It keeps whole seconds only (1.47.0).
KEPT_BY_MKE2FS = ("type", "mode", "uid", "gid", "size", "target", "digest", "xattrs")


def plain_tree(top: Path) -> Path:
    """Make a tree that needs no privilege."""
    top.mkdir()
    (top / "file").write_bytes(b"reading\n" * 5000)
    (top / "empty").touch()
    (top / "script").write_bytes(b"#!/bin/sh\n")
    (top / "script").chmod(0o4755)
    (top / "tiny").write_bytes(b"fits into an inode")
    (top / "medium").write_bytes(bytes(range(120)))
    (top / "short").symlink_to("file")
    (top / "long").symlink_to("x" * 300)
    (top / "a").mkdir()
    (top / "a" / "below").write_bytes(b"1")
    (top / "a-b").mkdir()
    (top / "a-b" / "below").write_bytes(b"2")
    (top / "many").mkdir()
    for number in range(300):
        (top / "many" / f"gauge reading number {number:04d}").write_bytes(b"%d" % number)
    os.mkfifo(top / "fifo")
    for name, pieces, end in (
        ("hole", {300_000: b"middle"}, 5 * MIB),
        ("holes", {number * 8192: b"%d" % number for number in range(700)}, 700 * 8192),
    ):
        _with_holes(top / name, pieces, end)
    return top


def _with_holes(path: Path, pieces: dict[int, bytes], end: int) -> None:
    with path.open("wb") as file:
        for at, data in pieces.items():
            file.seek(at)
            file.write(data)
        file.truncate(end)


@pytest.mark.parametrize("name", FEATURE_SETS)
def test_a_tree_that_mke2fs_copied_reads_back(tmp_path: Path, name: str) -> None:
    tree = plain_tree(tmp_path / "tree")
    image = made(tmp_path / "fs.img", *FEATURE_SETS[name], "-d", str(tree))
    # mke2fs 1.47.0 gives files that end in a hole the wrong size when it has inline_data.
    odd = {b"hole", b"holes"} if name == "inline_data" else set[bytes]()
    wanted = [
        entry for entry in reference_reader.entries(tree) if entry.name and entry.name not in odd
    ]

    with byte_source.opened(image) as opened:
        found = list(ext4_reader.Ext4Reader(opened).entries(Content.HASHED))

    mine = [entry for entry in found if entry.name not in {b"", b"lost+found"} | odd]
    assert mine == sorted(mine, key=entry_streams.key)
    assert list(entry_streams.differences(wanted, mine, fields=KEPT_BY_MKE2FS)) == []
    seconds = {e.path: e.mtime_ns // 10**9 for e in wanted}
    assert {e.path: e.mtime_ns // 10**9 for e in mine} == seconds


def test_one_file_can_be_found_and_read(tmp_path: Path) -> None:
    image = made(tmp_path / "fs.img", "-t", "ext4", "-d", str(plain_tree(tmp_path / "tree")))

    with byte_source.opened(image) as opened:
        volume = ext4_reader.Ext4Reader(opened)
        below = volume.find(b"a-b/below")
        names = [entry.path for entry in volume.children(b"a")]
        content = volume.read(b"file", limit=40_000)

        assert below is not None
        assert below.size == 1
        assert names == [b"a/below"]
        assert content == b"reading\n" * 5000
        assert volume.find(b"a-b/nothing") is None
        assert volume.find(b"file/below") is None
        with pytest.raises(VerificationError, match="at most 39999 bytes"):
            volume.read(b"file", limit=39_999)


def test_a_deep_extent_tree_is_read(tmp_path: Path) -> None:
    tree = plain_tree(tmp_path / "tree")
    image = made(tmp_path / "fs.img", "-t", "ext4", "-b", "1024", "-d", str(tree))

    # 700 extents, 84 in a block of 1 KiB, 4 in the inode: more than one level.
    depth = programs.run("debugfs", "-R", "dump_extents -n /holes", image).decode()
    assert re.search(r"^ 0/ 2 ", depth, re.MULTILINE)
    with byte_source.opened(image) as opened:
        content = ext4_reader.Ext4Reader(opened).read(b"holes", limit=10 * MIB)

    assert content == (tree / "holes").read_bytes()


def test_a_file_beyond_4_gib_is_read_to_its_end(tmp_path: Path) -> None:
    (tmp_path / "tree").mkdir()
    end = b"beyond 4 GiB"
    _with_holes(tmp_path / "tree" / "far", {(1 << 32) + 5: end}, (1 << 32) + 100)
    image = made(tmp_path / "fs.img", "-t", "ext4", "-d", str(tmp_path / "tree"))

    with byte_source.opened(image) as opened:
        volume = ext4_reader.Ext4Reader(opened)
        far = dict(volume.directory(volume.inode(ext4_inodes.ROOT)))[b"far"]
        content = volume.read_file(volume.inode(far))
        pieces = [piece for piece in content if piece.count(0) != len(piece)]

    assert pieces == [bytes(5) + end + bytes(100 - 5 - len(end))]


def test_a_journal_that_still_holds_changes_is_refused(tmp_path: Path) -> None:
    image = made(tmp_path / "fs.img", "-t", "ext4")
    programs.run("debugfs", "-w", "-R", "feature needs_recovery", image)

    with byte_source.opened(image) as opened:
        volume = ext4_reader.Ext4Reader(opened)

        assert "needs_recovery" not in volume.parameters().features
        with pytest.raises(VerificationError, match="journal"):
            next(volume.entries(Content.SKIPPED))


def test_a_feature_that_nobody_knows_is_refused(tmp_path: Path) -> None:
    image = made(tmp_path / "fs.img", "-t", "ext4")
    programs.run("debugfs", "-w", "-R", "feature FEATURE_I30", image)

    with byte_source.opened(image) as opened:
        volume = ext4_reader.Ext4Reader(opened)

        assert "FEATURE_I30" in volume.parameters().features
        with pytest.raises(LayoutError, match="0x40000000"):
            next(volume.entries(Content.SKIPPED))


def test_a_changed_superblock_is_noticed_by_its_checksum(tmp_path: Path) -> None:
    image = made(tmp_path / "fs.img", "-t", "ext4", "-L", "jetty")
    with image.open("r+b") as file:
        file.seek(1024 + 0x78)
        file.write(b"yttej")

    with byte_source.opened(image) as opened:
        assert not ext4_reader.Ext4Reader(opened).superblock.is_sound


# STANDARDS 4: measured with mkfs.ext4 1.47.0 of Debian 12; the features are given here, because
# defaults differ between releases.
SAMPLE = (
    "none,has_journal,ext_attr,resize_inode,dir_index,filetype,extent,64bit,flex_bg,sparse_super,"
    "large_file,huge_file,dir_nlink,extra_isize,metadata_csum"
)


def test_the_published_sample_is_made_and_read(tmp_path: Path) -> None:
    uuid = "3e6be9de-8139-11d1-9106-a43f08d823a6"
    image = loop.blank_image(tmp_path / "fs.img", size=64 * MIB)
    programs.run("mkfs.ext4", "-q", "-F", "-U", uuid, "-L", "rootfs", "-O", SAMPLE, image)
    with image.open("rb") as file:
        raw = file.read(2048)[1024:]

    found = parameters(image)

    assert raw[0x38:0x3A].hex() == "53ef"
    assert raw[0x68:0x78].hex() == "3e6be9de813911d19106a43f08d823a6"
    words = [int.from_bytes(raw[at : at + 4], "little") for at in (0x5C, 0x60, 0x64)]
    assert words == [0x3C, 0x2C2, 0x46B]
    assert raw[0x3A:0x3C].hex() == "0100"
    assert (found.uuid, found.label) == (uuid, "rootfs")
    assert ",".join(("none", *found.features)) == SAMPLE
