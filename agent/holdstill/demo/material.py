"""What the demonstration's board consists of: files of our own, and a choice of this machine's.

Nothing of this machine that could identify its owner is used: programs, libraries and what
belongs to them below /usr, and nothing else.
"""

from __future__ import annotations

import hashlib
import os
import stat
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.model.sizes import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator

BOARD = "pier-3"
KEEPER = "boathouse"
DISK_ID = "7e1d0003"
FAT_ID = "71DE0003"
ROOT_UUID = "3b1d7a54-6f0e-4d5b-9c1a-71de00030002"
KERNEL_VERSION = "6.1.0-harbour"
MACHINE_ID = "71de0003000000000000000000000003"

LARGEST = MIB
"""Larger files of this machine are left alone."""


@dataclass(frozen=True)
class Share:
    """How much of one of this machine's directories the board gets."""

    directory: str
    files: int
    bytes: int


SHARES = (
    Share("/usr/bin", 1200, 60 * MIB),
    Share("/usr/sbin", 300, 20 * MIB),
    Share("/usr/lib", 8000, 180 * MIB),
    Share("/usr/share", 6000, 100 * MIB),
)


def chosen_files(shares: tuple[Share, ...] = SHARES) -> list[bytes]:
    """Return paths below / of files and symlinks that make up a board, in a fixed order."""
    return [path for share in shares for path in _share_of(share)]


def _share_of(share: Share) -> Iterator[bytes]:
    files = size = 0
    for path in _walk(os.fsencode(share.directory)):
        info = os.lstat(path)
        is_small = stat.S_ISREG(info.st_mode) and info.st_size <= LARGEST
        if not (stat.S_ISLNK(info.st_mode) or (is_small and os.access(path, os.R_OK))):
            continue
        files, size = files + 1, size + info.st_size
        if files > share.files or size > share.bytes:
            return
        yield path.lstrip(b"/")


def _walk(top: bytes) -> Iterator[bytes]:
    """Yield every file below top, breadth first, so that a cut leaves a bit of everything."""
    level = [top] if Path(os.fsdecode(top)).is_dir() else []
    while level:
        below: list[bytes] = []
        for directory in level:
            with os.scandir(directory) as entries:
                found = sorted(entries, key=lambda entry: entry.name)
            yield from (e.path for e in found if not e.is_dir(follow_symlinks=False))
            below += [e.path for e in found if e.is_dir(follow_symlinks=False)]
        level = [path for path in below if os.access(path, os.R_OK | os.X_OK)]


def boot_files() -> dict[str, bytes]:
    """Return what is on the boot partition, by path.

    It is shaped as on boards whose firmware reads a FAT. The programs are stand-ins: the right
    names and headers, and noise inside.
    """
    return {
        "config.txt": _CONFIG.encode(),
        "cmdline.txt": command_line().encode(),
        "bootcode.bin": noise("bootcode", 48 << 10),
        "start4.elf": b"\x7fELF" + noise("start", 2 * MIB),
        "fixup4.dat": noise("fixup", 8 << 10),
        "kernel8.img": kernel(),
        "initramfs8": b"070701" + noise("initramfs", 4 * MIB),
        "tide-gauge-board.dtb": device_tree(),
        "overlays/README": b"Overlays of the tide gauge's add-on board.\n",
        "overlays/tide-gauge.dtbo": device_tree(),
    }


_CONFIG = """\
# Firmware settings of the board at pier-3
arm_64bit=1
kernel=kernel8.img
initramfs initramfs8 followkernel
device_tree=tide-gauge-board.dtb
dtoverlay=tide-gauge
"""


def command_line() -> str:
    """Return the kernel's command line."""
    root = f"root=PARTUUID={DISK_ID}-02 rootfstype=ext4 rootwait"
    return f"console=serial0,115200 console=tty1 {root} fsck.repair=yes\n"


def fstab() -> str:
    """Return the board's table of file systems."""
    return (
        "proc /proc proc defaults 0 0\n"
        f"PARTUUID={DISK_ID}-01 /boot/firmware vfat defaults,flush 0 2\n"
        f"PARTUUID={DISK_ID}-02 / ext4 defaults,noatime 0 1\n"
    )


def root_files() -> dict[str, bytes]:
    """Return the board's own files on the root file system, by path."""
    return {
        "etc/fstab": fstab().encode(),
        "etc/hostname": f"{BOARD}\n".encode(),
        "etc/hosts": f"127.0.0.1\tlocalhost\n127.0.1.1\t{BOARD}\n".encode(),
        "etc/machine-id": f"{MACHINE_ID}\n".encode(),
        "etc/passwd": b"root:x:0:0:root:/root:/bin/bash\ngauge:x:991:991::/var/lib/tide-gauge:\n",
        "etc/group": b"root:x:0:\ngauge:x:991:\n",
        "etc/systemd/system/tide-gauge.service": _UNIT.encode(),
        "usr/sbin/init": _INIT.encode(),
        f"usr/lib/modules/{KERNEL_VERSION}/modules.dep": b"",
        "boot/firmware/.keep": b"",
        "root/.profile": b"umask 022\n",
        "var/log/harbour.log": b"the pier was painted\n" * 2000,
    }


_INIT = """\
#!/bin/sh
mount -t proc proc /proc
exec /usr/bin/python3 /opt/tide-gauge/gauge.py 0.1
"""
_UNIT = """\
[Unit]
Description=Tide gauge of pier-3

[Service]
ExecStart=/usr/bin/python3 /opt/tide-gauge/gauge.py 0.1
Restart=on-failure

[Install]
WantedBy=multi-user.target
"""


def boot_gap() -> bytes:
    """Return a stand-in for the boot loader that many boards keep before the first partition."""
    return b"pier-3's boot loader" + noise("boot loader", 96 << 10)


def kernel() -> bytes:
    """Return a stand-in for a kernel; header by Linux Documentation/arch/arm64/booting.rst."""
    size = 8 * MIB
    header = struct.pack("<IIQQQQQQ4sI", 0, 0, 0, size, 0xA, 0, 0, 0, b"ARM\x64", 0)
    header += f"Linux version {KERNEL_VERSION} (a stand-in)\n\0".encode()
    return header + noise("kernel", size - len(header))


def device_tree() -> bytes:
    """Return an empty device tree (Devicetree Specification 0.4, chapter 5)."""
    begin_node, end_node, prop, end = 1, 2, 3, 9
    compatible = b"harbour,tide-gauge-board\0"
    structure = struct.pack(">II", begin_node, 0)
    structure += struct.pack(">III", prop, len(compatible), 0) + compatible.ljust(28, b"\0")
    structure += struct.pack(">II", end_node, end)
    strings = b"compatible\0"
    reserved = bytes(16)
    at = 40 + len(reserved)
    total = at + len(structure) + len(strings)
    sizes = (at, at + len(structure), 40, 17, 16, 0, len(strings), len(structure))
    header = struct.pack(">10I", 0xD00DFEED, total, *sizes)
    return header + reserved + structure + strings


def noise(name: str, size: int) -> bytes:
    """Return bytes that do not compress, always the same ones for a name."""
    return hashlib.shake_128(name.encode()).digest(size)
