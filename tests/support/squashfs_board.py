"""A board whose root is a squashfs, as those with two slots for systems have it."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from support import boards, boot_card, loop, programs
from support.boards import Board
from support.loop import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TABLE = """\
label: dos
label-id: 0x9a3c5d2e
start=8192, size=81920, type=c, bootable
start=90112, size=16384, type=83
start=106496, type=83
"""
ROOT, DATA = 2, 3


def put_firmware(device: Path, folder: Path) -> None:
    """Put what the firmware of a board starts from into its FAT."""
    for name in ("start4.elf", "kernel8.img", "bcm2711-rpi-4-b.dtb"):
        (folder / name).write_bytes(boot_card.FIRMWARE[name])
        programs.run("mcopy", "-Q", "-o", "-i", device, folder / name, "::/")


def pack(folder: Path, device: Path, *, hostname: str) -> None:
    """Write a squashfs with a small system onto a device."""
    tree, packed = folder / "tree", folder / "packed"
    for name in ("etc", "data", "dev", "usr"):
        (tree / name).mkdir(parents=True, exist_ok=True)
    fstab = (
        "PARTUUID=9a3c5d2e-02 / squashfs ro 0 0\nPARTUUID=9a3c5d2e-03 /data ext4 defaults 0 2\n"
    )
    (tree / "etc/fstab").write_text(fstab, encoding="ascii")
    (tree / "etc/hostname").write_text(hostname, encoding="ascii")
    programs.run("mksquashfs", tree, packed, "-quiet", "-no-progress", "-noappend")
    programs.run("dd", f"if={packed}", f"of={device}", "conv=fsync", "status=none")


@contextmanager
def running(folder: Path) -> Iterator[Board]:
    """Hold a board that runs from a squashfs (2), with an ext4 (3) mounted at /data."""
    image = loop.partitioned_image(folder / "card.img", size=96 * MIB, script=TABLE)
    with loop.attached(image) as disk:
        boot, data = disk.partition(1), disk.partition(DATA)
        programs.run("mkfs.vfat", "-F", "32", "-s", "1", boot)
        boards.fill_boot(boot, folder)
        put_firmware(boot, folder)
        pack(folder, disk.partition(ROOT), hostname="pier-3\n")
        programs.run("mkfs.ext4", "-q", data)
        with (
            loop.mounted(
                disk.partition(ROOT), folder / "root", options="ro", kind="squashfs"
            ) as at,
            loop.mounted(data, at / "data") as there,
            loop.thaw_guard(there, seconds=60),
        ):
            (there / "readings").write_text("1.2 m\n", encoding="ascii")
            yield Board(disk, at)
