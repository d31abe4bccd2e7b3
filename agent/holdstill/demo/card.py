"""The board's card as an image file: partition table, boot gap, FAT and an empty ext4. No root."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.demo import material
from holdstill.model.sizes import MIB, SECTOR
from holdstill.system.process import Command

if TYPE_CHECKING:
    from holdstill.system.process import Runner

SIZE = 1024 * MIB
FAT_START, FAT_SIZE = 4 * MIB, 64 * MIB
ROOT_START = FAT_START + FAT_SIZE
BOOT_LOADER_AT = 8 << 10
_ENVIRONMENT = (("MTOOLS_SKIP_CHECK", "1"),)


def make(image: Path, machine: Runner, *, size: int = SIZE) -> None:
    """Make the image."""
    image.touch()
    os.truncate(image, size)
    boot = f"start={FAT_START // SECTOR}, size={FAT_SIZE // SECTOR}, type=c"
    root = f"start={ROOT_START // SECTOR}, type=83"
    table = f"label: dos\nlabel-id: 0x{material.DISK_ID}\nunit: sectors\n{boot}\n{root}\n"
    machine.run(Command.of("sfdisk", "--quiet", image), stdin=table.encode())
    with image.open("r+b") as file:
        file.seek(BOOT_LOADER_AT)
        file.write(material.boot_gap())
    with tempfile.TemporaryDirectory(prefix="boot-", dir=image.parent) as stage:
        _make_fat(image, Path(stage), machine)
    _make_root(image, size - ROOT_START, machine)


def _make_fat(image: Path, stage: Path, machine: Runner) -> None:
    for name, content in material.boot_files().items():
        path = stage / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    start = str(FAT_START // SECTOR)
    names = ("-F", "32", "-s", "1", "-n", "BOOTFS", "-i", material.FAT_ID)
    where = ("-h", start, "--offset", start, image, str(FAT_SIZE // 1024))
    machine.run(Command.of("mkfs.vfat", *names, *where))
    inside = f"{image}@@{FAT_START}"
    sources = sorted(stage.iterdir())
    words = ("mcopy", "-s", "-m", "-Q", "-i", inside)
    machine.run(Command.of(*words, *sources, "::/", environment=_ENVIRONMENT))


def _make_root(image: Path, size: int, machine: Runner) -> None:
    # The tables are written now: a card that has been in use for a while has no lazy rest either.
    extended = f"offset={ROOT_START},root_owner=0:0,lazy_itable_init=0"
    names = ("-L", "rootfs", "-U", material.ROOT_UUID, "-E", extended)
    machine.run(Command.of("mke2fs", "-q", "-F", "-t", "ext4", *names, image, f"{size // 1024}k"))
