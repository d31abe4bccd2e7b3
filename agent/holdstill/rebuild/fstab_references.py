"""Where a board's own files name its partitions, and how such a file reads with new ids.

Everything here is a pure function over bytes. Ids are replaced wherever they stand as whole
words: they are long enough to mean nothing else, and every loader has a syntax of its own.
"""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

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


@dataclass(frozen=True)
class RewrittenText:
    """A file with new ids.

    Attributes:
        content: the whole file.
        replaced: old and new of what was replaced, each once, as it was written there.
    """

    content: bytes
    replaced: tuple[tuple[str, str], ...]


class IdMap:
    """Old ids and their new ones, found as whole words in any text."""

    def __init__(self, pairs: Mapping[str, str]) -> None:
        self._new = {old.lower(): new for old, new in pairs.items()}
        longest_first = sorted(self._new, key=len, reverse=True)
        words = "|".join(re.escape(old) for old in longest_first) or r"(?!)"
        text = rf"(?<![0-9A-Za-z-])(?:{words})(?![0-9A-Za-z-])"
        self._pattern = re.compile(text.encode(), re.IGNORECASE)

    def replace(self, content: bytes) -> RewrittenText:
        """Put new ids in the place of old ones, in upper or lower case as these were."""
        replaced: dict[str, str] = {}

        def new(match: re.Match[bytes]) -> bytes:
            old = match[0].decode()
            replaced[old] = self._like(old)
            return replaced[old].encode()

        return RewrittenText(self._pattern.sub(new, content), tuple(replaced.items()))

    def _like(self, old: str) -> str:
        new = self._new[old.lower()]
        if old.islower():
            return new.lower()
        return new.upper() if old.isupper() else new


def rewrite(path: str, content: bytes, ids: IdMap) -> RewrittenText | None:
    """Return a file with new ids, or None when it cannot be rewritten by any rule we have."""
    for pattern, rule in _RULES.items():
        if fnmatchcase(path.rpartition("/")[2], pattern):
            return rule(content, ids)
    return ids.replace(content)


# U-Boot scripts ---------------------------------------------------------------------------------

_IMAGE = struct.Struct(">IIIIIIIBBBB32s")
_IMAGE_MAGIC = 0x27051956
_SCRIPT = 6
"""Type of a legacy image that holds a script (U-Boot include/image.h, IH_TYPE_SCRIPT)."""


def script_text(content: bytes) -> bytes | None:
    """Return the text in a U-Boot script image; None when it is none, or damaged.

    A legacy image: 64 bytes of header, then a list of lengths that ends with 0, then the text
    (U-Boot doc/usage/cmd/source.rst; include/image.h, struct legacy_img_hdr).
    """
    if len(content) < _IMAGE.size + 8:
        return None
    magic, header_crc, _, size, _, _, data_crc, _, _, kind, _, _ = _IMAGE.unpack_from(content)
    header, data = content[: _IMAGE.size], content[_IMAGE.size :][:size]
    bare = header[:4] + bytes(4) + header[8:]
    sound = zlib.crc32(bare) == header_crc and zlib.crc32(data) == data_crc
    if magic != _IMAGE_MAGIC or kind != _SCRIPT or not sound:
        return None
    length, end = struct.unpack_from(">II", data)
    return data[8 : 8 + length] if end == 0 and length <= len(data) - 8 else None


def _rewrite_script(content: bytes, ids: IdMap) -> RewrittenText | None:
    text = script_text(content)
    if text is None:
        # A script that is not wrapped, for loaders that take plain text; or a FIT, or rubbish.
        return ids.replace(content) if _is_text(content) else None
    found = ids.replace(text)
    return RewrittenText(wrapped_script(content[: _IMAGE.size], found.content), found.replaced)


def wrapped_script(header: bytes, text: bytes) -> bytes:
    """Return a U-Boot script image with this text; name and date of the header stay."""
    data = struct.pack(">II", len(text), 0) + text
    fields = list(_IMAGE.unpack(header))
    fields[1], fields[3], fields[6] = 0, len(data), zlib.crc32(data)
    fields[1] = zlib.crc32(_IMAGE.pack(*fields))
    return _IMAGE.pack(*fields) + data


def _is_text(content: bytes) -> bool:
    return b"\0" not in content


# U-Boot environments ----------------------------------------------------------------------------


def environment_text(content: bytes) -> bytes | None:
    """Return the variables in a stored U-Boot environment; None when its checksum is wrong."""
    start = _environment_start(content)
    return None if start is None else content[start:]


def _environment_start(content: bytes) -> int | None:
    """A CRC-32 of the rest comes first, then a flag byte in one of two copies (env/common.c)."""
    if len(content) < 8:
        return None
    (crc,) = struct.unpack_from("<I", content)
    return next((start for start in (4, 5) if zlib.crc32(content[start:]) == crc), None)


def _rewrite_environment(content: bytes, ids: IdMap) -> RewrittenText | None:
    start = _environment_start(content)
    if start is None:
        return None
    found = ids.replace(content[start:])
    # Variables end with two zero bytes; behind them is room, so the size can stay.
    body = found.content[: len(content) - start].ljust(len(content) - start, b"\0")
    if b"\0\0" not in body:
        return None
    head = struct.pack("<I", zlib.crc32(body)) + content[4:start]
    return RewrittenText(head + body, found.replaced)


_RULES: dict[str, Callable[[bytes, IdMap], RewrittenText | None]] = {
    "*.scr": _rewrite_script,
    "uboot.env": _rewrite_environment,
}


# Names ------------------------------------------------------------------------------------------


def with_hostname(content: bytes, old: str, new: str) -> RewrittenText:
    """Return /etc/hosts, or a file with nothing but a name, with a new host name (hosts(5)).

    Only the first label of a name is exchanged: pier-3.harbour becomes pier-4.harbour.
    """
    if not old:
        return RewrittenText(content, ())
    label = re.compile(rb"(?<![\w.-])" + re.escape(old.encode()) + rb"(?![\w-])")
    lines = [
        line if line.lstrip().startswith(b"#") else label.sub(new.encode(), line)
        for line in content.splitlines(keepends=True)
    ]
    changed = b"".join(lines)
    return RewrittenText(changed, () if changed == content else ((old, new),))


def with_machine_id(content: bytes, old: str, new: str) -> RewrittenText:
    """Return a boot loader entry whose machine-id line follows; paths with the old one stay."""
    line = re.compile(rb"^(machine-id\s+)" + re.escape(old.encode()) + rb"\b", re.MULTILINE)
    changed = line.sub(rb"\g<1>" + new.encode(), content) if old else content
    return RewrittenText(changed, () if changed == content else ((old, new),))


def with_board(content: bytes, old: str, new: str) -> RewrittenText:
    """Return the agent's settings with the new board's name."""
    line = re.compile(
        rb"^(board:\s*[\"']?)" + re.escape(old.encode()) + rb"(?![\w-])", re.MULTILINE
    )
    changed = line.sub(rb"\g<1>" + new.encode(), content) if old else content
    return RewrittenText(changed, () if changed == content else ((old, new),))
