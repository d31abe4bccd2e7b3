"""A kernel's own complaints about damage made on purpose are found, as if a card had them."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.board import readiness
from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MIB = 1 << 20


class Listener:
    """What this kernel has logged since."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    def complaints(self, device: Path) -> str:
        """Return what is found to be trouble, with a card's name instead of the device's."""
        name, card = device.name.encode(), b"mmcblk0p2"
        records = (record.replace(name, card) for record in self._records())
        return "\n".join(readiness.parse_kernel_log(records, since=0.0))

    def _records(self) -> Iterator[bytes]:
        while True:
            try:
                yield os.read(self._handle, 8192)
            except BlockingIOError:
                return
            except BrokenPipeError:  # a record was overwritten before it was read
                continue


@contextmanager
def listening() -> Iterator[Listener]:
    """Linux Documentation/ABI/testing/dev-kmsg: SEEK_END goes behind the last record."""
    handle = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK)
    try:
        os.lseek(handle, 0, os.SEEK_END)
        yield Listener(handle)
    finally:
        os.close(handle)


def test_the_kernel_tells_of_sectors_that_cannot_be_read(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "disk", size=8 * MIB)
    with loop.attached(image) as disk, listening() as kernel:
        os.truncate(image, MIB)
        read = ("dd", f"if={disk.device}", "of=/dev/null", "bs=4096", "skip=1000", "count=1")
        assert programs.attempt(*read).returncode != 0

        said = kernel.complaints(disk.device)

    assert "I/O error, dev mmcblk0p2, sector 8000" in said
    assert "Buffer I/O error on dev mmcblk0p2, logical block 1000" in said


def test_the_kernel_tells_of_a_damaged_ext4(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "disk", size=16 * MIB)
    programs.run("mke2fs", "-q", "-F", "-t", "ext2", image)
    programs.run("debugfs", "-w", "-R", "set_inode_field <2> block[0] 999999", image)
    with loop.attached(image) as disk, listening() as kernel:
        (tmp_path / "at").mkdir()
        mount = ("mount", "-t", "ext4", disk.device, tmp_path / "at")
        assert programs.attempt(*mount).returncode != 0

        said = kernel.complaints(disk.device)

    assert "EXT4-fs error (device mmcblk0p2)" in said


def test_the_kernel_tells_of_a_damaged_btrfs_and_not_of_a_sound_one(tmp_path: Path) -> None:
    image = loop.blank_image(tmp_path / "disk", size=120 * MIB)
    programs.run("mkfs.btrfs", "--quiet", image)
    with loop.attached(image) as disk, listening() as kernel:
        with loop.mounted(disk.device, tmp_path / "at"):
            pass
        assert kernel.complaints(disk.device) == ""
    with image.open("r+b") as file:
        file.seek(2 * MIB)  # behind the first superblock
        file.write(os.urandom(118 * MIB))
    with loop.attached(image) as disk, listening() as kernel:
        assert programs.attempt("mount", disk.device, tmp_path / "at").returncode != 0

        said = kernel.complaints(disk.device)

    assert "BTRFS error (device mmcblk0p2)" in said
