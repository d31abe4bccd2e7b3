"""The ext4 reader against the kernel: a tortured tree, read from the raw image and as mounted."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.filesystems.ext4 import ext4_reader
from holdstill.filesystems.file_tree import Content
from holdstill.model import entries as entry_streams
from holdstill.model.entries import EntryType
from holdstill.system import byte_source
from support import edge_case_tree, loop, programs, reference_reader

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.entries import Entry

FEATURE_SETS = {
    "ext4": ["-t", "ext4"],
    "1 KiB blocks": ["-t", "ext4", "-b", "1024"],
    "128-byte inodes": ["-t", "ext4", "-I", "128"],
    "1 KiB inodes": ["-t", "ext4", "-I", "1024"],
    "meta_bg": ["-t", "ext4", "-b", "1024", "-O", "meta_bg,^resize_inode"],
    "inline_data": ["-t", "ext4", "-O", "inline_data"],
    "ea_inode": ["-t", "ext4", "-b", "1024", "-O", "ea_inode"],
    "bigalloc": ["-t", "ext4", "-O", "bigalloc", "-C", "16384"],
    "no journal": ["-t", "ext4", "-O", "^has_journal,^64bit,^metadata_csum,large_dir"],
    "ext3": ["-t", "ext3"],
    "ext2": ["-t", "ext2", "-b", "1024"],
}
COMPARED = (*entry_streams.COMPARED, "sparse")


@pytest.mark.timeout(120)
@pytest.mark.parametrize("name", FEATURE_SETS)
def test_every_field_of_every_entry_is_what_the_kernel_shows(tmp_path: Path, name: str) -> None:
    image = loop.blank_image(tmp_path / "fs.img", size=192 << 20)
    programs.run("mke2fs", "-q", "-F", *FEATURE_SETS[name], image)
    with loop.attached(image) as disk:
        with loop.mounted(disk.device, tmp_path / "mnt") as at:
            edge_case_tree.build(at)
            if name != "ext4":  # once is enough: seconds of zeroes
                (at / os.fsdecode(edge_case_tree.HUGE)).unlink()
        with loop.mounted(disk.device, tmp_path / "mnt", options="ro") as at:
            wanted = reference_reader.entries(at)

    with byte_source.opened(image) as opened:
        found = list(ext4_reader.Ext4Reader(opened).entries(Content.HASHED))

    assert len(wanted) > 2000
    assert found == sorted(found, key=entry_streams.key)
    assert list(entry_streams.differences(wanted, found, fields=COMPARED)) == []
    assert [_seen(e) for e in found] == [_seen(e) for e in wanted]
    assert [e.link for e in found] == [e.link for e in wanted]


def _seen(entry: Entry) -> tuple[int, int, int]:
    # Only files and directories can be asked for their generation.
    has_generation = entry.type in {EntryType.FILE, EntryType.DIRECTORY}
    return entry.seen.inode, entry.seen.ctime_ns, entry.seen.generation if has_generation else 0


def test_a_mounted_file_system_is_read_from_its_device(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "fs.img", size=64 << 20)
    programs.run("mke2fs", "-q", "-F", "-t", "ext4", image)
    with loop.attached(image) as disk, loop.mounted(disk.device, tmp_path / "mnt") as at:
        (at / "reading").write_bytes(b"1.42 m")
        programs.run("sync", "-f", at)
        inode = (at / "reading").stat()

        with byte_source.opened(disk.device) as opened:
            volume = ext4_reader.Ext4Reader(opened)
            found = volume.inode(inode.st_ino)
            features = volume.parameters().features

    assert (found.size, found.mtime_ns) == (6, inode.st_mtime_ns)
    assert "needs_recovery" not in features
