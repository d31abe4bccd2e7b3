"""Extended attributes of ext2/3/4, in the inode, in a block, or in inodes of their own.

Layout: Linux Documentation/filesystems/ext4/attributes.rst. Values come in the form in which the
kernel returns them: ACLs as linux/posix_acl_xattr.h describes, not as they are on disk.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from holdstill.errors import VerificationError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

MAGIC = b"\0\0\2\xea"
VALUE_MAX = 65536
"""Bytes of one value (linux/limits.h XATTR_SIZE_MAX)."""
IN_INODE, IN_BLOCK = 4, 32
"""Bytes before the first entry: the magic number, and a whole block's header."""
INLINE = "system.data"
"""Not an attribute but the end of a small file that lives in its inode."""

_ENTRY = struct.Struct("<BBHIII")
_PREFIXES = {
    1: b"user.",
    2: b"system.posix_acl_access",
    3: b"system.posix_acl_default",
    4: b"trusted.",
    6: b"security.",
    7: b"system.",
    8: b"system.richacl",
}
_ACLS = frozenset({2, 3})


def parse(
    raw: bytes, start: int, *, values: int, inode_value: Callable[[int, int], bytes]
) -> Iterator[tuple[str, bytes]]:
    """Yield name and value of each attribute.

    Args:
        raw: what holds entries and values: the rest of an inode, or a block.
        start: where the entries begin.
        values: the place from which values are counted.
        inode_value: returns the content of an inode, given its number and the size it must have.

    Raises:
        VerificationError: they are damaged.
    """
    while raw[start : start + 4] != bytes(4):
        if start + _ENTRY.size > len(raw):
            raise VerificationError("extended attributes are damaged: no end")
        length, index, offset, inode, size, _ = _ENTRY.unpack_from(raw, start)
        start += _ENTRY.size
        name = raw[start : start + length]
        start += -(-length // 4) * 4
        if size > VALUE_MAX or len(name) != length:
            raise VerificationError("extended attributes are damaged: too large")
        value = inode_value(inode, size) if inode else raw[values + offset :][:size]
        if len(value) != size:
            raise VerificationError("extended attributes are damaged: a value is cut off")
        yield _name(index, name), acl_from_disk(value) if index in _ACLS else value


def _name(index: int, name: bytes) -> str:
    prefix = _PREFIXES.get(index)
    if prefix is None:
        raise VerificationError(f"extended attributes of an unknown kind ({index})")
    return (prefix + name).decode(errors="surrogateescape")


_ACL_DISK_VERSION, _ACL_KERNEL_VERSION = 1, 2
_USER, _GROUP = 0x02, 0x08
_TAGS_WITHOUT_ID = frozenset({0x01, 0x04, 0x10, 0x20})
_NO_ID = 0xFFFFFFFF


def acl_from_disk(raw: bytes) -> bytes:
    """Turn a POSIX ACL from how ext4 stores it (fs/ext4/acl.h) into the kernel's form.

    Raises:
        VerificationError: it is none.
    """
    if len(raw) < 4 or struct.unpack_from("<I", raw)[0] != _ACL_DISK_VERSION:
        raise VerificationError("a POSIX ACL is damaged: unknown version")
    return struct.pack("<I", _ACL_KERNEL_VERSION) + b"".join(_acl_entries(raw[4:]))


def _acl_entries(raw: bytes) -> Iterator[bytes]:
    position = 0
    while position < len(raw):
        head = raw[position : position + 8]
        tag = int.from_bytes(head[:2], "little")
        permissions = int.from_bytes(head[2:4], "little")
        has_id = tag in {_USER, _GROUP}
        if (not has_id and tag not in _TAGS_WITHOUT_ID) or len(head) < (8 if has_id else 4):
            raise VerificationError("a POSIX ACL is damaged")
        owner = int.from_bytes(head[4:], "little") if has_id else _NO_ID
        yield struct.pack("<HHI", tag, permissions, owner)
        position += 8 if has_id else 4
