"""Where a board's own files name its partitions, and how such a file reads with new ids.

Everything here is a pure function over bytes. Ids are replaced wherever they occur as whole
words: they are long enough to mean nothing else, and every loader has a syntax of its own.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.rebuild.id_map import IdMap, RewrittenText

from holdstill.rebuild.uboot_files import rewrite_environment, rewrite_script

ROOT_PLACES = (
    "etc/fstab",
    "etc/crypttab",
    "etc/default/grub",
    "etc/default/grub.d/*.cfg",
    "etc/default/u-boot",
    "etc/default/extlinux",
    "etc/default/flash-kernel",
    "etc/u-boot-menu.conf",
    "etc/kernel/cmdline",
    "etc/initramfs-tools/initramfs.conf",
    "etc/initramfs-tools/conf.d/*",
    "etc/dracut.conf",
    "etc/dracut.conf.d/*.conf",
    "etc/mkinitcpio.conf",
    "etc/systemd/system/*.mount",
    "etc/systemd/system/*.automount",
    "etc/systemd/system/*.swap",
)
"""Below the root of the system."""
BOOT_PLACES = (
    "cmdline*.txt",
    "*[eE]nv.txt",
    "uboot.env",
    "boot.cmd",
    "boot.ini",
    "*.scr",
    "extlinux.conf",
    "extlinux/*.conf",
    "boot/extlinux/*.conf",
    "loader/loader.conf",
    "loader/entries/*.conf",
    "grub/*.cfg",
    "grub2/*.cfg",
    "syslinux.cfg",
    "syslinux/*.cfg",
    "EFI/*/*.cfg",
    "EFI/*/*.conf",
)
"""Below a boot partition's root, and below boot/, boot/firmware/ and boot/efi/ of the system."""
BOOT_FOLDERS = ("boot", "boot/firmware", "boot/efi", "efi")


def rewrite(path: str, content: bytes, ids: IdMap) -> RewrittenText | None:
    """Return a file with new ids, or None when it cannot be rewritten by any rule we have."""
    for pattern, rule in _RULES.items():
        if fnmatchcase(path.rpartition("/")[2], pattern):
            return rule(content, ids)
    return ids.replace(content)


_RULES: dict[str, Callable[[bytes, IdMap], RewrittenText | None]] = {
    "*.scr": rewrite_script,
    "uboot.env": rewrite_environment,
}
