"""Encodings of metadata: linux/capability.h, linux/posix_acl_xattr.h, ext4's attributes.rst."""

from __future__ import annotations

import struct

import pytest

from holdstill.errors import VerificationError
from holdstill.filesystems.ext4 import ext4_xattrs

# linux/capability.h, struct vfs_cap_data and vfs_ns_cap_data; capabilities(7).
CAPABILITIES = {
    "cap_net_raw+ep": "0100000200200000000000000000000000000000",
    "cap_net_bind_service+ep": "0100000200040000000000000000000000000000",
    "cap_net_admin,cap_net_raw+eip": "0100000200300000003000000000000000000000",
    "cap_net_raw+ep, rootid 1000": "0100000300200000000000000000000000000000e8030000",
}

# linux/posix_acl_xattr.h: version 2, then tag, permissions, id. Measured with setfacl: a file of
# mode 0640 with u:1000:rw, and the default ACL of a directory of mode 0755 with u:1000:rwx.
ACCESS = (
    "02000000 01000600ffffffff 02000600e8030000 04000400ffffffff 10000600ffffffff 20000000ffffffff"
)
DEFAULT = (
    "02000000 01000700ffffffff 02000700e8030000 04000500ffffffff 10000700ffffffff 20000500ffffffff"
)
# The same as ext4 stores them (fs/ext4/acl.h): version 1, ids only for named users and groups.
ACCESS_ON_DISK = "01000000 01000600 02000600e8030000 04000400 10000600 20000000"
DEFAULT_ON_DISK = "01000000 01000700 02000700e8030000 04000500 10000700 20000500"


def attribute(index: int, name: bytes, value: bytes) -> bytes:
    """Lay out one attribute and its value by attributes.rst, the value behind the end mark."""
    entry = struct.pack("<BBHIII", len(name), index, 0, 0, len(value), 0) + name
    entry += bytes(-len(entry) % 4)
    places = len(entry) + 4
    head = entry[:2] + struct.pack("<H", places) + entry[4:]
    return head + bytes(4) + value


def read(raw: bytes) -> dict[str, bytes]:
    def no_inode(number: int, size: int) -> bytes:
        raise AssertionError(f"inode {number} of {size} bytes was asked for")

    return dict(ext4_xattrs.parse(raw, 0, values=0, inode_value=no_inode))


@pytest.mark.parametrize("name", CAPABILITIES)
def test_capabilities_come_as_they_are(name: str) -> None:
    value = bytes.fromhex(CAPABILITIES[name])

    assert read(attribute(6, b"capability", value)) == {"security.capability": value}
    assert len(value) == (24 if "rootid" in name else 20)


@pytest.mark.parametrize(
    ("index", "name", "disk", "kernel"),
    [
        (2, "system.posix_acl_access", ACCESS_ON_DISK, ACCESS),
        (3, "system.posix_acl_default", DEFAULT_ON_DISK, DEFAULT),
    ],
)
def test_acls_come_in_the_kernels_form(index: int, name: str, disk: str, kernel: str) -> None:
    raw = attribute(index, b"", bytes.fromhex(disk))

    assert read(raw) == {name: bytes.fromhex(kernel)}


@pytest.mark.parametrize(
    "damaged",
    [
        "", "02000000", "01000000 0300", "01000000 03000600", "01000000 02000600",
        "01000000 010006", "01000000 02000600e80300",
    ],
)  # fmt: skip
def test_a_damaged_acl_is_refused(damaged: str) -> None:
    with pytest.raises(VerificationError, match="ACL"):
        ext4_xattrs.acl_from_disk(bytes.fromhex(damaged))


# attributes.rst, Extended Attribute Name Index.
@pytest.mark.parametrize(
    ("index", "prefix"), [(1, "user."), (4, "trusted."), (6, "security."), (7, "system.")]
)
def test_prefixes_are_those_of_the_name_index(index: int, prefix: str) -> None:
    assert read(attribute(index, b"n", b"v")) == {f"{prefix}n": b"v"}


def test_an_unknown_prefix_is_refused() -> None:
    with pytest.raises(VerificationError, match="unknown kind"):
        read(attribute(11, b"n", b"v"))


def test_a_name_that_is_not_utf_8_survives() -> None:
    ((name, value),) = read(attribute(1, b"caf\xe9", b"v")).items()

    assert name.encode(errors="surrogateescape") == b"user.caf\xe9"
    assert value == b"v"
