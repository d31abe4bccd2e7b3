"""Small cards with the files that boards boot from, made by mtools, mke2fs and sfdisk."""

from __future__ import annotations

import gzip
import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from support import loop, programs

if TYPE_CHECKING:
    from pathlib import Path

MIB = 1 << 20
SIZE = 64 * MIB
DISK_ID = "9a3c5d2e"
ROOT_UUID = "3e6be9de-8139-11d1-9106-a43f08d823a6"
BOOT_START, BOOT_SECTORS = 8192, 32768
ROOT_START, ROOT_SECTORS = 40960, 73728
TABLE = f"""\
label: dos
label-id: 0x{DISK_ID}
unit: sectors
start={BOOT_START}, size={BOOT_SECTORS}, type=c, bootable
start={ROOT_START}, size={ROOT_SECTORS}, type=83
"""
VERSION = "6.12.25-tide"
CMDLINE = f"console=tty1 root=PARTUUID={DISK_ID}-02 rootfstype=ext4 rootwait\n"
FSTAB = (
    "proc /proc proc defaults 0 0\n"
    f"PARTUUID={DISK_ID}-01 /boot/firmware vfat defaults 0 2\n"
    f"PARTUUID={DISK_ID}-02 / ext4 defaults,noatime 0 1\n"
)


def kernel(version: str = VERSION) -> bytes:
    """Return what passes for a kernel that gzip packed, as 64-bit boards have it."""
    return gzip.compress(b"\0" * 2000 + f"Linux version {version} (pier@3) #1".encode())


def program(interpreter: str = "/lib/ld-linux-aarch64.so.1") -> bytes:
    """Return the head of a 64-bit ELF program with a dynamic linker (System V ABI)."""
    name = interpreter.encode() + b"\0"
    head = b"\x7fELF" + bytes([2, 1, 1]) + bytes(9) + struct.pack("<HHIQQQ", 3, 183, 1, 0, 64, 0)
    head += struct.pack("<IHHHHHH", 0, 64, 56, 1, 0, 0, 0)
    table = struct.pack("<IIQQQQQQ", 3, 4, 120, 0, 0, len(name), len(name), 1)
    return head + table + name


FIRMWARE = {
    "bootcode.bin": b"b",
    "start.elf": b"s",
    "fixup.dat": b"f",
    "start4.elf": b"s4",
    "fixup4.dat": b"f4",
    "kernel8.img": kernel(),
    "initramfs8": b"070701",
    "bcm2711-rpi-4-b.dtb": b"\xd0\x0d\xfe\xed",
    "overlays/disable-bt.dtbo": b"\xd0\x0d\xfe\xed",
    "config.txt": b"# tide gauge\narm_64bit=1\nauto_initramfs=1\n[all]\ndtoverlay=disable-bt\n",
    "cmdline.txt": CMDLINE.encode(),
}
SYSTEM = {
    "etc/fstab": FSTAB.encode(),
    "usr/lib/systemd/systemd": program(),
    "usr/lib/ld-linux-aarch64.so.1": program(),
    f"usr/lib/modules/{VERSION}/modules.dep": b"kernel/x.ko:\n",
    "dev/null-is-made-later": b"",
}
LINKS = {
    "lib": "usr/lib",
    "bin": "usr/bin",
    "sbin": "usr/sbin",
    "usr/sbin/init": "../lib/systemd/systemd",
}


@dataclass
class Parts:
    """What goes onto a card; tests spoil it before it is made."""

    boot: dict[str, bytes] = field(default_factory=dict)
    root: dict[str, bytes] = field(default_factory=lambda: dict(SYSTEM))
    links: dict[str, str] = field(default_factory=lambda: dict(LINKS))
    gap: dict[int, bytes] = field(default_factory=dict)
    table: str = TABLE
    label: str = "BOOTFS"


def firmware_card() -> Parts:
    """Return a card of the kind whose firmware reads a FAT."""
    return Parts(boot=dict(FIRMWARE))


def make(folder: Path, parts: Parts) -> Path:
    """Make the image of a card; return where it is."""
    image = loop.partitioned_image(folder / "card.img", size=SIZE, script=parts.table)
    with image.open("r+b") as card:
        for offset, data in parts.gap.items():
            card.seek(offset)
            card.write(data)
    _make_boot(folder, image, parts)
    _make_root(folder, image, parts)
    return image


def _make_boot(folder: Path, image: Path, parts: Parts) -> None:
    small = loop.blank_image(folder / "boot.img", size=BOOT_SECTORS * 512)
    programs.run("mkfs.vfat", "-F", "16", "-n", parts.label, "-i", "A40D85E7", small)
    if parts.boot:
        tree = _tree(folder / "boot", parts.boot, {})
        files = sorted(tree.iterdir())
        programs.run("env", "MTOOLS_SKIP_CHECK=1", "mcopy", "-i", small, "-s", "-Q", *files, "::/")
    _put(small, image, BOOT_START)


def _make_root(folder: Path, image: Path, parts: Parts) -> None:
    tree = _tree(folder / "root", parts.root, parts.links)
    small = loop.blank_image(folder / "root.img", size=ROOT_SECTORS * 512)
    programs.run("mke2fs", "-q", "-F", "-t", "ext4", "-U", ROOT_UUID, "-d", tree, small)
    put_root(small, image)


def put_root(small: Path, image: Path) -> None:
    """Put a file system where a card has its root."""
    _put(small, image, ROOT_START)


def _tree(top: Path, files: dict[str, bytes], links: dict[str, str]) -> Path:
    top.mkdir()
    for name, content in files.items():
        (top / name).parent.mkdir(parents=True, exist_ok=True)
        (top / name).write_bytes(content)
        (top / name).chmod(0o755)
    for name, to in links.items():
        (top / name).parent.mkdir(parents=True, exist_ok=True)
        (top / name).symlink_to(to)
    return top


def _put(small: Path, image: Path, start: int) -> None:
    words = (f"if={small}", f"of={image}", "bs=64K", f"seek={start * 512}", "oflag=seek_bytes")
    programs.run("dd", *words, "conv=notrunc,sparse", "status=none")
