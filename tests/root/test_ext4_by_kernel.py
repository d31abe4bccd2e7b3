"""Rebuilt ext4 file systems as the kernel sees them, which is who will use them."""

from __future__ import annotations

import os
import struct
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import TargetFailedError
from holdstill.filesystems.ext4 import ext4_parameters, ext4_reader, ext4_sizing
from holdstill.model import layout
from holdstill.model.entries import Entry, EntryType, Omitted, differences
from holdstill.system import byte_source
from holdstill.system.process import LocalRunner
from support import edge_case_tree, ext4_images, loop, programs, reference_reader
from support.contents import FolderContents, a_file, a_folder, in_order
from support.ext4_images import MIB, OFFSET
from support.in_place import InPlace

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOM = 96 * MIB
OWN_SYSTEM = Path("/usr/lib/python3")
"""Some 50 MB that every Debian has, with everything that packages put into a root."""
VARIANTS = {
    "ext4": ("-t", "ext4"),
    "ext4 without checksums": ("-t", "ext4", "-O", "^metadata_csum,^64bit"),
    "ext4 with large inodes": ("-t", "ext4", "-I", "512"),
    "ext4 with inline data": ("-t", "ext4", "-O", "inline_data"),
    "ext4 of 1 KiB blocks": ("-t", "ext4", "-b", "1024"),
    "ext3": ("-t", "ext3"),
    "ext2 of 1 KiB blocks": ("-t", "ext2", "-b", "1024"),
}
SWAPPED_ON = {
    "ext4": ext4_images.FEATURES,
    "ext3": ("has_journal", "ext_attr", "dir_index", "filetype", "sparse_super"),
}


@contextmanager
def mounted_part(image: Path, at: Path, *, options: str) -> Iterator[Path]:
    """Mount the file system behind OFFSET in an image."""
    with loop.mounted(image, at, options=f"loop,offset={OFFSET},{options}") as point:
        yield point


@pytest.mark.timeout(180)
@pytest.mark.parametrize(
    ("variant", "is_huge"),
    [
        *((variant, False) for variant in VARIANTS),
        pytest.param("ext4", True, marks=pytest.mark.slow),  # 4 GiB of hole take long to hash
    ],
)
def test_a_torture_tree_comes_back_whole(tmp_path: Path, variant: str, *, is_huge: bool) -> None:
    with loop.ext4_volume(tmp_path, size=ROOM, mkfs=VARIANTS[variant]) as board:
        edge_case_tree.build(board)
        if not is_huge:
            (board / os.fsdecode(edge_case_tree.HUGE)).unlink()
        wanted = reference_reader.entries(board)
        with byte_source.opened(tmp_path / "volume.img") as raw:
            parameters = ext4_reader.Ext4Reader(raw).parameters()

        image = ext4_images.image(
            tmp_path / "card.img", wanted, InPlace(board, wanted), parameters
        )
        edge_case_tree.release(board)

    with mounted_part(image, tmp_path / "card", options="ro") as card:
        by_kernel = reference_reader.entries(card)
    assert list(differences(wanted, by_kernel)) == []
    assert list(differences(wanted, ext4_images.read(image, parameters))) == []
    assert ext4_images.header(image) == ext4_images.header(tmp_path / "volume.img", offset=0)


def test_the_kernel_changes_a_rebuilt_file_system_without_complaint(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), ext4_images.parameters()
    names = [a_file(contents, b"log/reading-%05d" % number, b"1.42 m") for number in range(2000)]
    tree = in_order([a_folder(b"", mode=0o755), a_folder(b"log", mode=0o755), *names])
    image = ext4_images.image(tmp_path / "card.img", tree, contents, wanted)

    with mounted_part(image, tmp_path / "card", options="rw") as card:
        for number in range(0, 2000, 3):
            (card / "log" / f"reading-{number:05d}").unlink()
        for number in range(1500):
            (card / "log" / f"later-{number}").write_bytes(b"1.43 m" * number)
        left = len(list((card / "log").iterdir()))

    assert left == 2000 - 667 + 1500
    programs.run("e2fsck", "-fn", ext4_images.at(image, OFFSET))


def test_a_device_that_we_hold_and_that_is_full_of_rubbish_is_filled(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), ext4_images.parameters(inodes=9000)
    names = [a_file(contents, b"log/%05d" % number, b"%d m" % number) for number in range(6000)]
    tree = in_order([a_folder(b"", mode=0o755), a_folder(b"log", mode=0o755), *names])
    image = tmp_path / "old.img"
    image.write_bytes(os.urandom(60 * MIB))

    with loop.attached(image) as disk:
        claim = os.open(disk.device, os.O_RDWR | os.O_EXCL)
        ext4_images.write(disk.device, tree, contents, wanted)
        os.close(claim)

    assert rest_of_last_table_block(image, last_inode=6012) == bytes(4 * 256)
    with mounted_part(image, tmp_path / "card", options="rw") as card:
        assert list(differences(tree, reference_reader.entries(card))) == []
        (card / "log" / "later").write_bytes(b"1.43 m")
    programs.run("e2fsck", "-fn", ext4_images.at(image, OFFSET))


def rest_of_last_table_block(image: Path, *, last_inode: int) -> bytes:
    """Return the inodes behind the last used one, to the end of their block.

    Nobody clears them later: the kernel's lazy initialisation begins with the next block
    (fs/ext4/ialloc.c, ext4_init_inode_table).
    """
    with byte_source.opened(image) as whole:
        table = ext4_reader.Ext4Reader(whole.window(OFFSET, 48 * MIB)).groups()[0].table
        end = -(-last_inode * 256 // 4096) * 4096
        return whole.read(OFFSET + table + last_inode * 256, end - last_inode * 256)


def test_what_the_device_held_does_not_show_behind_the_end_of_a_file(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), ext4_images.parameters()
    tree = in_order([a_folder(b"", mode=0o755), a_file(contents, b"short", b"1.42 m")])
    image = tmp_path / "old.img"
    image.write_bytes(b"secret: " * (60 * MIB // 8))

    with loop.attached(image) as disk:
        ext4_images.write(disk.device, tree, contents, wanted)
        block = int(ext4_images.debugfs(disk.device, "blocks /short"))
        with byte_source.opened(disk.device) as device:
            content = device.read(OFFSET + block * 4096, 4096)

    assert content == b"1.42 m".ljust(4096, b"\0")


@pytest.mark.parametrize("kind", SWAPPED_ON)
def test_the_kernel_swaps_on_a_rebuilt_swap_file(tmp_path: Path, kind: str) -> None:
    wanted = ext4_images.parameters(features=SWAPPED_ON[kind])
    size, contents = 8 * MIB, FolderContents(tmp_path / "contents")
    header = tmp_path / "header"
    header.write_bytes(bytes(size))
    header.chmod(0o600)
    programs.run("mkswap", "--uuid", "01234567-89ab-cdef-0123-456789abcdef", header)
    swap = Entry(b"", b"swapfile", EntryType.FILE, mode=0o600, size=size, omitted=Omitted.SWAP)
    tree = in_order([a_folder(b"", mode=0o755), swap])

    image = ext4_images.image(
        tmp_path / "card.img", tree, contents, wanted,
        heads={b"swapfile": header.read_bytes()[:4096]},
    )  # fmt: skip

    with mounted_part(image, tmp_path / "card", options="rw") as card:
        assert (card / "swapfile").read_bytes() == header.read_bytes()
        programs.run("swapon", card / "swapfile")
        used = programs.run("swapon", "--show=NAME,SIZE", "--bytes", "--noheadings")
        programs.run("swapoff", card / "swapfile")
    assert f"{card}/swapfile {size - 4096}".encode() in used


@pytest.mark.timeout(120)
def test_a_piece_of_this_machines_own_system_comes_back_whole(tmp_path: Path) -> None:
    board = OWN_SYSTEM
    wanted = reference_reader.entries(board)
    contents = InPlace(board, wanted)
    plain = ext4_images.parameters(size=1024 * MIB, inodes=65_536)
    usage = ext4_sizing.need(wanted, plain, contents=contents)
    need = ext4_sizing.minimum(plain, usage, machine=LocalRunner())
    tight = ext4_parameters.resized(plain, size=need.size, inodes=need.inodes)
    tight = ext4_sizing.settled(tight, need, machine=LocalRunner())

    image = ext4_images.image(tmp_path / "card.img", wanted, contents, tight)

    with mounted_part(image, tmp_path / "card", options="ro") as card:
        assert list(differences(wanted, reference_reader.entries(card))) == []
    assert list(differences(wanted, ext4_images.read(image, tight))) == []


def test_a_device_that_fails_while_it_is_written_is_told(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    ledgers = [a_file(contents, b"ledger-%d" % n, os.urandom(8 * MIB)) for n in range(5)]
    tree = in_order([a_folder(b"", mode=0o755), *ledgers])
    small = tmp_path / "small"

    with loop.mounted(Path("none"), small, options="size=24M", kind="tmpfs"):
        image = loop.blank_image(small / "card.img", size=60 * MIB)  # more than there is room for
        with (
            loop.attached(image) as disk,
            pytest.raises(TargetFailedError, match=f"{disk.device}|byte"),
        ):
            ext4_images.write(disk.device, tree, contents, ext4_images.parameters())


def test_a_device_number_beyond_the_old_limits_reaches_the_kernel(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), ext4_images.parameters()
    rdev = os.makedev(300, 70000)
    node = Entry(b"", b"gauge", EntryType.CHARACTER, mode=0o620, rdev=rdev)

    image = ext4_images.image(
        tmp_path / "card.img", in_order([a_folder(b"", mode=0o755), node]), contents, wanted
    )

    with mounted_part(image, tmp_path / "card", options="ro") as card:
        status = (card / "gauge").stat()
    assert (os.major(status.st_rdev), os.minor(status.st_rdev)) == (300, 70000)


# linux/fs/ext4/ext4.h: EXT4_LINK_MAX 65000; with dir_nlink a directory beyond counts 1.
@pytest.mark.timeout(120)
def test_a_directory_may_have_more_subdirectories_than_a_link_count_says(tmp_path: Path) -> None:
    contents = FolderContents(tmp_path / "contents")
    wanted = ext4_images.parameters(size=512 * MIB, inodes=70_000)
    below = [a_folder(b"many/%05d" % number, mode=0o755) for number in range(65_100)]
    tree = in_order([a_folder(b"", mode=0o755), a_folder(b"many", mode=0o755), *below])

    image = ext4_images.image(tmp_path / "card.img", tree, contents, wanted)

    with mounted_part(image, tmp_path / "card", options="ro") as card:
        assert (card / "many").stat().st_nlink == 1
        assert sum(1 for _ in (card / "many").iterdir()) == 65_100


def test_times_before_1970_and_after_2038_reach_the_kernel(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), ext4_images.parameters()
    moments = [-(2**31) * 10**9, -1, 2**31 * 10**9 + 5, (2**33 + 7) * 10**9 + 999_999_999]
    names = [
        a_file(contents, b"at%d" % moment, b"", mtime_ns=moment, mode=0o644) for moment in moments
    ]

    image = ext4_images.image(
        tmp_path / "card.img", in_order([a_folder(b"", mode=0o755), *names]), contents, wanted
    )

    with mounted_part(image, tmp_path / "card", options="ro") as card:
        found = [(card / f"at{moment}").stat().st_mtime_ns for moment in moments]
    assert found == moments


def test_an_acl_that_the_kernel_wrote_is_the_one_it_reads(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), ext4_images.parameters()
    # linux/posix_acl_xattr.h: version 2; tag, permissions, id of each entry.
    entries = [(1, 6, -1), (2, 6, 70000), (4, 4, -1), (0x10, 6, -1), (0x20, 0, -1)]
    acl = struct.pack("<I", 2) + b"".join(struct.pack("<HHi", *entry) for entry in entries)
    file = a_file(contents, b"ledger", b"1.42 m", mode=0o660)
    file = file._replace(xattrs={"system.posix_acl_access": acl})

    image = ext4_images.image(
        tmp_path / "card.img", in_order([a_folder(b"", mode=0o755), file]), contents, wanted
    )

    with mounted_part(image, tmp_path / "card", options="ro") as card:
        assert os.getxattr(card / "ledger", "system.posix_acl_access") == acl
        said = programs.run("getfacl", "--numeric", "--omit-header", "-p", card / "ledger")
    assert b"user:70000:rw-" in said


def test_parameters_of_a_rebuilt_file_system_read_back_the_same(tmp_path: Path) -> None:
    contents, wanted = FolderContents(tmp_path / "contents"), ext4_images.parameters()
    image = ext4_images.image(tmp_path / "card.img", [a_folder(b"")], contents, wanted)

    with byte_source.opened(image) as whole:
        part = whole.window(OFFSET, wanted.blocks * wanted.block_size)
        found = ext4_reader.Ext4Reader(part).parameters()

    same = {name for name in layout.Ext4.__struct_fields__ if name != "used_blocks"}
    assert {name: getattr(found, name) for name in same} == {
        name: getattr(wanted, name) for name in same
    }
