"""Extended attributes as they may be in an index that comes from anybody.

Layouts: linux/capability.h (struct vfs_cap_data, vfs_ns_cap_data) and
linux/posix_acl_xattr.h; limits: linux/limits.h.
"""

from __future__ import annotations

import re
import struct
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.model.entries import BTRFS_COMPRESSION

if TYPE_CHECKING:
    from collections.abc import Mapping

NAME_MAX, SIZE_MAX = 255, 64 << 10
_SPACES = ("user.", "trusted.", "security.")
_ACLS = frozenset({"system.posix_acl_access", "system.posix_acl_default"})
_CAPABILITY = "security.capability"
_COMPRESSION = re.compile(rb"(?:zlib|zstd)(?::[0-9]{1,2})?|lzo|none|no")
"""How new data of a file or folder is compressed (btrfs(5), btrfs-property(8))."""
_CAPABILITY_SIZES = {1: 12, 2: 20, 3: 24}
_ACL_VERSION = 2
_ACL_TAGS = frozenset({0x01, 0x02, 0x04, 0x08, 0x10, 0x20})


def check(xattrs: Mapping[str, bytes]) -> None:
    """Check the names, sizes and, where the kernel gives them a form, the values.

    Raises:
        SecurityError: naming the attribute.
    """
    for name, value in xattrs.items():
        if name == BTRFS_COMPRESSION:
            if not _COMPRESSION.fullmatch(value):
                raise SecurityError(f"{name}: {value[:60]!r} is no way to compress")
            continue
        if not name.startswith(_SPACES) and name not in _ACLS:
            raise SecurityError(f"attribute {name[:60]!r}: not of a kind that files have")
        if "\0" in name or len(_raw(name)) > NAME_MAX or len(value) > SIZE_MAX:
            raise SecurityError(f"attribute {name[:60]!r}: name or value too long")
        if name == _CAPABILITY and not is_capability(value):
            raise SecurityError("security.capability: not in the kernel's form")
        if name in _ACLS and not is_acl(value):
            raise SecurityError(f"{name}: not in the kernel's form")


def _raw(name: str) -> bytes:
    """Return a name as the kernel has it: any bytes (os.fsdecode made text of them)."""
    try:
        return name.encode(errors="surrogateescape")
    except UnicodeEncodeError as error:
        raise SecurityError("an attribute's name is no bytes at all") from error


def is_capability(value: bytes) -> bool:
    """Return whether a value is a file capability of a known revision."""
    if len(value) < 4:
        return False
    (magic,) = struct.unpack_from("<I", value)
    return _CAPABILITY_SIZES.get(magic >> 24) == len(value) and magic & 0x00FFFFFE == 0


def is_acl(value: bytes) -> bool:
    """Return whether a value is a POSIX ACL."""
    if len(value) < 4 or (len(value) - 4) % 8:
        return False
    (version,) = struct.unpack_from("<I", value)
    entries = struct.iter_unpack("<HHI", value[4:])
    return version == _ACL_VERSION and all(
        tag in _ACL_TAGS and permissions <= 7 for tag, permissions, _ in entries
    )
