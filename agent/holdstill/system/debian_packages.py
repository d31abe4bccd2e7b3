"""Which Debian package has a program: the one table for everything that says what to install."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
"""Where programs are looked for, and started from."""
PROGRAMS = {
    "btrfs-progs": ("btrfs", "mkfs.btrfs"),
    "coreutils": ("chown", "install"),
    "cryptsetup-bin": ("cryptsetup",),
    "dosfstools": ("fsck.vfat", "mkfs.vfat"),
    "e2fsprogs": ("debugfs", "e2fsck", "mke2fs", "tune2fs"),
    "f2fs-tools": ("fsck.f2fs", "mkfs.f2fs", "sload.f2fs"),
    "fdisk": ("fdisk", "sfdisk"),
    "kmod": ("modprobe",),
    "mount": ("losetup", "mount", "umount"),
    "mtools": ("mcopy",),
    "openssh-client": ("ssh", "ssh-keygen"),
    "openssh-server": ("sshd",),
    "passwd": ("useradd", "userdel"),
    "qemu-system-arm": ("qemu-system-aarch64",),
    "qemu-system-x86": ("qemu-system-x86_64",),
    "rsync": ("rsync",),
    "syslinux": ("syslinux",),
    "systemd": ("systemctl", "systemd-tmpfiles"),
    "util-linux": ("blkid", "mkswap", "partx", "setpriv"),
    "xfsprogs": ("mkfs.xfs", "xfs_io", "xfs_repair"),
    "xz-utils": ("xz",),
    "zstd": ("zstd",),
}
"""The programs that holdstill starts, by the package of Debian 12 and 13 that has them."""
_PACKAGE_OF = {program: package for package, found in PROGRAMS.items() for program in found}


def missing(programs: Iterable[str]) -> tuple[str, ...]:
    """Return those programs that are not installed here, each once."""
    return tuple(p for p in dict.fromkeys(programs) if shutil.which(p, path=PATH) is None)


def how_to_install(programs: Iterable[str]) -> str:
    """Return what to do about missing programs: the line for Debian, as far as it is known."""
    wanted = tuple(programs)
    packages = sorted({_PACKAGE_OF[p] for p in wanted if p in _PACKAGE_OF})
    others = [p for p in wanted if p not in _PACKAGE_OF]
    parts = [f"on Debian: `sudo apt-get install {' '.join(packages)}`"] if packages else []
    parts += [f"install what has {', '.join(others)}"] if others else []
    return "; ".join(parts)
