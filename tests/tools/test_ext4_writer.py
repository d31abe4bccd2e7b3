"""The ext4 writer on plain files: what it made is judged by e2fsprogs and by our own reader."""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.errors import (
    PreflightError,
    TargetFailedError,
    TargetRefusedError,
    VerificationError,
)
from holdstill.filesystems.ext4 import ext4_reader, ext4_writer
from holdstill.model.entries import KEPT_FLAGS, Entry, EntryType, Omitted, differences
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from support import ext4_images, loop, programs
from support.contents import MOMENT, FolderContents, a_file, a_folder, in_order
from support.ext4_images import FEATURES, MIB, OFFSET, parameters

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.layout import Ext4

SECOND = 10**9
SOURCES = {
    "ext4": ("-t", "ext4"),
    "no metadata checksums": ("-t", "ext4", "-O", "^metadata_csum"),
    "group checksums": ("-t", "ext4", "-O", "^metadata_csum,uninit_bg"),
    "32 bits": ("-t", "ext4", "-O", "^64bit,^metadata_csum"),
    "inodes of 512 bytes": ("-t", "ext4", "-I", "512"),
    "inodes of 128 bytes": ("-t", "ext4", "-I", "128", "-O", "^extra_isize"),
    "meta block groups": ("-t", "ext4", "-O", "^resize_inode,meta_bg"),
    "inline data": ("-t", "ext4", "-O", "inline_data"),
    "no journal": ("-t", "ext4", "-O", "^has_journal"),
    "journal of 8 MiB": ("-t", "ext4", "-J", "size=8"),
    "fast commits": ("-t", "ext4", "-O", "fast_commit"),
    "orphan file": ("-t", "ext4", "-O", "orphan_file"),
    "attributes in inodes": ("-t", "ext4", "-O", "ea_inode"),
    "large directories": ("-t", "ext4", "-O", "large_dir"),
    "no flexible groups": ("-t", "ext4", "-O", "^flex_bg"),
    "no directory index": ("-t", "ext4", "-O", "^dir_index"),
    "checksum seed": ("-t", "ext4", "-O", "metadata_csum_seed"),
    "two superblock copies": ("-t", "ext4", "-O", "sparse_super2,^resize_inode"),
    "quota": ("-t", "ext4", "-O", "quota"),
    "project quota": ("-t", "ext4", "-O", "quota,project"),
    "verity and encryption": ("-t", "ext4", "-O", "verity,encrypt,stable_inodes"),
    "stripes": ("-t", "ext4", "-E", "stride=1024,stripe_width=1024"),
    "case folding": ("-t", "ext4", "-O", "casefold", "-E", "encoding=utf8"),
    "blocks of 1 KiB": ("-t", "ext4", "-b", "1024"),
    "blocks of 2 KiB": ("-t", "ext4", "-b", "2048"),
    "ext3": ("-t", "ext3"),
    "ext3 of 1 KiB blocks": ("-t", "ext3", "-b", "1024"),
    "ext3 without types in directories": ("-t", "ext3", "-O", "^filetype"),
    "ext2": ("-t", "ext2"),
    "ext2 of 1 KiB blocks and 128-byte inodes": ("-t", "ext2", "-b", "1024", "-I", "128"),
}
"""What mke2fs is told for the file system on the board."""


def a_board_tree(contents: FolderContents) -> list[Entry]:
    """Return a tree that every ext2, ext3 and ext4 can hold: moments in whole seconds, no
    attributes beyond 1 KiB."""
    readings = [a_file(contents, b"var/log/%04d" % n, b"%d m\n" % n * n) for n in range(700)]
    capability = bytes.fromhex("0100000200200000000000000000000000000000")
    logger = a_file(contents, b"gauge", b"\x7fELF" * 70_000, mode=0o4755)
    hole = bytes(400 * 1024) + b"1.42 m" + bytes(300 * 1024) + b"1.43 m"
    return in_order(
        [
            a_folder(b"", mode=0o755),
            a_folder(b"lost+found", mode=0o700),
            a_folder(b"var", mode=0o1777),
            a_folder(b"var/log", mode=0o2775),
            a_folder(b"var/empty"),
            *readings,
            logger._replace(uid=70_000, gid=2**32 - 2, xattrs={"security.capability": capability}),
            a_file(contents, b"sparse", hole)._replace(sparse=1),
            a_file(contents, b"zeroes", bytes(200_000)),
            a_file(contents, b"first", b"1.42 m", mode=0o640)._replace(link=7),
            a_file(contents, b"var/second", b"1.42 m", mode=0o640)._replace(link=7),
            a_file(contents, b"frozen", b"1.42 m")._replace(flags=0x10 | 0x40),
            a_file(contents, b"new\nline\xff", b"odd"),
            a_file(contents, b"L" * 255, b""),
            Entry(b"", b"short", EntryType.SYMLINK, mode=0o777, target=b"var/log"),
            Entry(b"", b"long", EntryType.SYMLINK, mode=0o777, target=b"v/" * 400),
            Entry(b"", b"fifo", EntryType.FIFO, mode=0o622, mtime_ns=MOMENT),
            Entry(b"", b"socket", EntryType.SOCKET, mode=0o755, mtime_ns=MOMENT),
            Entry(b"", b"tty", EntryType.CHARACTER, mode=0o620, rdev=os.makedev(5, 1)),
            Entry(b"", b"card", EntryType.BLOCK, mode=0o660, rdev=os.makedev(300, 70_000)),
        ]
    )  # fmt: skip


@pytest.mark.parametrize("board", SOURCES)
def test_a_file_system_is_made_again_as_it_was(tmp_path: Path, board: str) -> None:
    contents = FolderContents(tmp_path / "contents")
    original = loop.blank_image(tmp_path / "board.img", size=64 * MIB)
    programs.run("mke2fs", "-q", "-F", "-L", "jetty", *SOURCES[board], original)
    programs.run(
        "tune2fs", "-c", "31", "-i", "30d", "-e", "remount-ro", "-r", "777", "-u", "1000",
        "-o", "journal_data_ordered,discard", original,
    )  # fmt: skip
    with byte_source.opened(original) as whole:
        wanted = ext4_reader.Ext4Reader(whole).parameters()
    tree = a_board_tree(contents)

    image = ext4_images.image(tmp_path / "card.img", tree, contents, wanted)

    assert list(differences(tree, ext4_images.read(image, wanted))) == []
    assert ext4_images.header(image) == ext4_images.header(original, offset=0)


def built(tmp_path: Path, *entries: Entry, contents: FolderContents | None = None) -> Path:
    """Write a plain file system with a root and some entries."""
    held = contents or FolderContents(tmp_path / "contents")
    tree = in_order([a_folder(b"", mode=0o755), *entries])
    return ext4_images.image(tmp_path / "card.img", tree, held, parameters())


def written(image: Path, wanted: Ext4, *, size: int) -> None:
    """Write an empty tree into a partition of so many bytes at the beginning of an image."""
    ext4_writer.write(
        image, offset=0, size=size, parameters=wanted, entries=[a_folder(b"")],
        contents=FolderContents(image.parent / "contents"),
        machine=LocalRunner(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("altered", "complaint"),
    [
        (b"1.42 m\n", "7 bytes instead of 6"),
        (b"1.42", "4 bytes instead of 6"),
    ],
)
def test_a_content_of_another_length_is_named(
    tmp_path: Path, altered: bytes, complaint: str
) -> None:
    contents = FolderContents(tmp_path / "contents")
    entry = a_file(contents, b"var\x1b", b"1.42 m")
    (contents.folder / entry.digest.hex()).write_bytes(altered)

    with pytest.raises(VerificationError, match=rf"/var\\x1b .*{complaint}"):
        built(tmp_path, entry, contents=contents)


def test_a_content_that_is_not_in_the_store_is_named(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    entry = a_file(contents, b"ledger", b"1.42 m")
    (contents.folder / entry.digest.hex()).unlink()

    with pytest.raises(TargetFailedError, match=r"cannot read the content of /ledger"):
        built(tmp_path, entry, contents=contents)


def test_a_sparse_file_keeps_its_holes_and_another_gets_all_its_blocks(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    content = bytes(MIB) + b"1.42 m" + bytes(MIB)
    sparse = a_file(contents, b"sparse", content)._replace(sparse=1)

    image = built(tmp_path, sparse, a_file(contents, b"full", content), contents=contents)

    assert ext4_images.debugfs(image, "blocks /sparse").split() != []
    assert len(ext4_images.debugfs(image, "blocks /sparse").split()) == 1
    assert len(ext4_images.debugfs(image, "blocks /full").split()) == 513


def test_zeroes_take_no_room_in_the_image(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")

    image = built(tmp_path, a_file(contents, b"zeroes", bytes(20 * MIB)), contents=contents)

    assert image.stat().st_blocks * 512 < 2 * MIB


def test_a_file_in_thousands_of_pieces_is_whole(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    content = b"".join(b"%04d" % n + bytes(8188) for n in range(2500))
    entry = a_file(contents, b"pieces", content)._replace(sparse=1)

    image = built(tmp_path, entry, contents=contents)

    assert ext4_images.read(image, parameters())[-1].digest == entry.digest
    assert ext4_images.debugfs(image, "cat /pieces") == content
    assert b"(ETB0)" in ext4_images.debugfs(image, "stat /pieces")  # a tree, not a list


def test_lost_and_found_is_there_only_if_it_was(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()

    without = built(tmp_path / "a")
    with_it = built(tmp_path / "b", a_folder(b"lost+found", mode=0o700))

    assert b"lost+found" not in ext4_images.debugfs(without, "ls /")
    said = ext4_images.debugfs(with_it, "stat /lost+found")
    assert b"Inode: 11 " in said  # where e2fsck looks first, as mke2fs puts it
    assert b"Size: 16384" in said


def test_a_directory_of_many_names_gets_an_index(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    names = [a_file(contents, b"log/%05d" % number, b"") for number in range(3000)]

    image = built(tmp_path, a_folder(b"log"), *names, contents=contents)

    said = ext4_images.debugfs(image, "htree_dump /log")
    assert b"Hash Version: 1" in said  # half-MD4
    assert said.count(b"#") > 10


def test_an_index_of_two_levels_is_sound(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    wanted = parameters(block_size=1024, size=64 * MIB, inodes=12_000)
    names = [a_file(contents, b"log/%s-%06d" % (b"n" * 100, n), b"") for n in range(10_000)]
    tree = in_order([a_folder(b"", mode=0o755), a_folder(b"log"), *names])

    image = ext4_images.image(tmp_path / "card.img", tree, contents, wanted)

    assert b"Indirect levels: 1" in ext4_images.debugfs(image, "htree_dump /log")
    assert list(differences(tree, ext4_images.read(image, wanted))) == []


def test_a_directory_of_a_hundred_thousand_names_is_whole(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    wanted = parameters(size=96 * MIB, inodes=101_000)
    names = [a_file(contents, b"log/%06d" % n, b"") for n in range(100_000)]
    tree = in_order([a_folder(b"", mode=0o755), a_folder(b"log"), *names])

    image = ext4_images.image(tmp_path / "card.img", tree, contents, wanted)

    assert list(differences(tree, ext4_images.read(image, wanted))) == []
    listed = ext4_images.debugfs(image, "ls -p /log").splitlines()
    assert {line.split(b"/")[5] for line in listed if line} - {b".", b".."} == {
        entry.name for entry in names
    }


def test_attributes_fill_the_inode_before_they_take_a_block(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    small = {"user.a": b"1" * 8, "user.bb": b"2" * 12, "trusted.t": b"3" * 4}
    large = {f"user.n{number}": bytes([number]) * 150 for number in range(20)}

    image = built(
        tmp_path,
        a_file(contents, b"small", b"1.42 m")._replace(xattrs=small),
        a_file(contents, b"large", b"1.42 m")._replace(xattrs=large),
        contents=contents,
    )

    found = {entry.name: entry.xattrs for entry in ext4_images.read(image, parameters())}
    assert found[b"small"] == small
    assert found[b"large"] == large
    assert b"File ACL: 0\n" in ext4_images.debugfs(image, "stat /small")
    assert b"File ACL: 0\n" not in ext4_images.debugfs(image, "stat /large")


def test_attributes_that_do_not_fit_are_refused_by_name(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    entry = a_file(contents, b"ledger", b"1.42 m")._replace(xattrs={"user.huge": bytes(5000)})

    with pytest.raises(
        TargetFailedError, match=r"extended attributes of 'ledger' cannot be kept.*attribute"
    ):
        built(tmp_path, entry, contents=contents)


def test_flags_that_describe_another_inodes_layout_are_not_taken_over(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    hostile = 0xFFFFFFFF  # inline data, encryption, huge blocks ...

    image = built(
        tmp_path, a_file(contents, b"ledger", b"1.42 m")._replace(flags=hostile), contents=contents
    )

    found = ext4_images.read(image, parameters())[-1]
    assert found.flags == KEPT_FLAGS
    assert ext4_images.debugfs(image, "cat /ledger") == b"1.42 m"


def test_dates_that_cannot_be_kept_or_will_be_doubted_are_told(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    doubted = (2**31 + 2 * 2**32) * SECOND  # 2310-04-04, e2fsck's own limit
    beyond = (2**31 + 3 * 2**32) * SECOND  # 2446-05-10, super.rst, "Inode Timestamps"
    tree = in_order(
        [
            a_folder(b""),
            a_file(contents, b"far", b"", mtime_ns=doubted),
            a_file(contents, b"farther", b"", mtime_ns=beyond),
        ]
    )
    image = loop.blank_image(tmp_path / "card.img", size=60 * MIB)

    told = ext4_images.write(image, tree, contents, parameters()).warnings

    assert [text.rpartition(": ")[2] for text in told] == ["far", "farther"]
    assert "2310" in told[0]
    assert ext4_images.read(image, parameters())[1].mtime_ns == doubted


def test_a_file_that_could_not_be_read_on_the_board_is_a_hole_and_told(tmp_path: Path) -> None:
    entry = Entry(b"", b"bad", EntryType.FILE, size=9000, omitted=Omitted.UNREADABLE)
    tree = [a_folder(b""), entry]
    image = loop.blank_image(tmp_path / "card.img", size=60 * MIB)

    told = ext4_images.write(image, tree, FolderContents(tmp_path / "c"), parameters()).warnings

    assert len(told) == 1
    assert "bad" in told[0]
    assert ext4_images.debugfs(image, "cat /bad") == bytes(9000)


def test_a_swap_file_has_its_head_and_no_holes(tmp_path: Path) -> None:
    entry = Entry(b"", b"swapfile", EntryType.FILE, size=6 * MIB, omitted=Omitted.SWAP)
    head = b"SWAPSPACE2".rjust(4096, b"\0")

    image = ext4_images.image(
        tmp_path / "card.img", [a_folder(b""), entry], FolderContents(tmp_path / "c"),
        parameters(), heads={b"swapfile": head},
    )  # fmt: skip

    said = ext4_images.debugfs(image, "stat /swapfile")
    assert ext4_images.debugfs(image, "cat /swapfile") == head + bytes(6 * MIB - 4096)
    assert b"Blockcount: 12288" in said
    assert b"(0):" in said  # the head was written; [u] is what was not
    assert b"-1535[u]):" in said


def test_names_in_no_directory_are_refused(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")

    with pytest.raises(VerificationError, match=r"'var\\\\n'.*no directory"):
        built(tmp_path, a_file(contents, b"var\n/log", b"1.42 m"), contents=contents)


@pytest.mark.parametrize("feature", ["bigalloc", "mmp", "shared_blocks", "journal_dev"])
def test_a_feature_that_is_not_rebuilt_is_refused_before_anything_is_touched(
    tmp_path: Path, feature: str
) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(b"precious" * MIB)
    wanted = parameters(features=(*FEATURES, feature), size=8 * MIB)

    with pytest.raises(TargetRefusedError):
        written(image, wanted, size=8 * MIB)

    assert image.read_bytes() == b"precious" * MIB


def test_a_feature_that_this_machine_does_not_know_is_refused_with_its_words(
    tmp_path: Path,
) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(b"precious" * MIB)
    wanted = parameters(features=(*FEATURES, "FEATURE_C30"), size=8 * MIB)

    with pytest.raises(PreflightError, match="FEATURE_C30"):
        written(image, wanted, size=8 * MIB)

    assert image.read_bytes() == b"precious" * MIB


def test_a_file_system_that_is_too_small_for_its_journal_is_refused(tmp_path: Path) -> None:
    wanted = parameters(size=6 * MIB, inodes=64)

    with pytest.raises(PreflightError, match=r"[Jj]ournal"):
        ext4_writer.format_file(tmp_path / "empty", parameters=wanted, machine=LocalRunner())


def test_a_file_system_larger_than_its_partition_is_refused(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=60 * MIB)

    with pytest.raises(TargetRefusedError, match="does not fit"):
        written(image, parameters(), size=47 * MIB)


@pytest.mark.parametrize("options", ["commit=5;rm", 'x" y', "a b", "a\nb"])
def test_mount_options_that_could_be_more_than_that_are_refused(
    tmp_path: Path, options: str
) -> None:
    wanted = msgspec.structs.replace(parameters(), mount_opts=options)

    with pytest.raises(TargetRefusedError, match="odd mount options"):
        ext4_writer.mount_opts(tmp_path / "empty", wanted)


def test_a_tree_that_is_too_large_is_refused_in_words(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")

    with pytest.raises(TargetFailedError, match="no free blocks left") as failed:
        built(tmp_path, a_file(contents, b"ledger", os.urandom(47 * MIB)), contents=contents)
    assert "larger card" in failed.value.hint
    assert "--size" in failed.value.hint


def test_too_many_entries_are_refused_in_words(tmp_path: Path) -> None:
    names = [a_file(FolderContents(tmp_path / "c"), b"%05d" % n, b"") for n in range(5000)]

    with pytest.raises(TargetFailedError, match="no free inodes left") as failed:
        built(tmp_path, *names)
    assert "--size" in failed.value.hint


def test_inodes_that_the_library_takes_for_attributes_are_left_to_it(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    large = {"user.log": os.urandom(6000)}  # more than a block: it gets an inode of its own
    entries = [a_file(contents, b"%03d" % number, b"1.42 m") for number in range(40)]
    entries[3::9] = [entry._replace(xattrs=large) for entry in entries[3::9]]
    wanted = parameters(features=(*FEATURES, "ea_inode"))
    tree = in_order([a_folder(b"", mode=0o755), *entries])

    image = ext4_images.image(tmp_path / "card.img", tree, contents, wanted)

    assert list(differences(tree, ext4_images.read(image, wanted))) == []


def test_damage_is_found_when_the_file_system_is_finished(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    image = built(tmp_path, a_folder(b"log"), contents=contents)
    programs.run("debugfs", "-w", "-R", "clri /log", ext4_images.at(image, OFFSET))

    with pytest.raises(TargetFailedError, match=r"(?s)not sound.*deleted/unused"):
        ext4_writer.finish(image, offset=OFFSET, parameters=parameters(), machine=LocalRunner())


def test_what_was_at_the_edges_of_the_partition_is_gone(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "card.img", size=60 * MIB)
    with image.open("r+b") as file:
        file.seek(OFFSET)
        file.write(b"\xeb\x58\x90mkfs.fat".ljust(510, b"x") + b"\x55\xaa")
        file.seek(OFFSET + 48 * MIB - 512)
        file.write(b"EFI PART" * 64)

    ext4_images.write(image, [a_folder(b"")], FolderContents(tmp_path / "c"), parameters())

    with byte_source.opened(image) as whole:
        assert whole.read(OFFSET, 1024) == bytes(1024)
        assert whole.read(OFFSET + 48 * MIB - 512, 512) == bytes(512)
    found = programs.run("blkid", "-p", "-o", "value", "-s", "TYPE", "-O", str(OFFSET), image)
    assert found == b"ext4\n"


# Offsets of struct ext4_inode: Linux Documentation/filesystems/ext4/inodes.rst.
def test_an_inodes_fields_are_where_the_kernels_documents_say(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    entry = a_file(contents, b"ledger", b"1.42 m", mode=0o4750, mtime_ns=-SECOND + 5)

    image = built(tmp_path, entry._replace(uid=70_000, gid=80_000), contents=contents)

    assert b"Inode: 12 " in ext4_images.debugfs(image, "stat /ledger")
    with byte_source.opened(image) as whole:
        table = ext4_reader.Ext4Reader(whole.window(OFFSET, 48 * MIB)).groups()[0].table
        raw = whole.read(OFFSET + table + 11 * 256, 256)
    assert struct.unpack_from("<H", raw, 0x0) == (0o104750,)
    assert struct.unpack_from("<H", raw, 0x2) == (70_000 & 0xFFFF,)
    assert struct.unpack_from("<H", raw, 0x78) == (70_000 >> 16,)
    assert struct.unpack_from("<H", raw, 0x7A) == (80_000 >> 16,)
    assert struct.unpack_from("<i", raw, 0x10) == (-1,)
    assert struct.unpack_from("<I", raw, 0x88) == (5 << 2,)
