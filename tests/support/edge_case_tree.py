"""A tree with everything in it that a copy can get wrong. Needs root; plain os calls only."""

# Paths are bytes here, which pathlib cannot hold.
# ruff: noqa: PTH101, PTH102, PTH118, PTH123, PTH211

from __future__ import annotations

import array
import fcntl
import os
import random
import stat
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FS_IOC_GETFLAGS = 0x80086601  # _IOR('f', 1, long), linux/fs.h
FS_IOC_SETFLAGS = 0x40086602  # _IOW('f', 2, long)
FLAGS = {
    b"flag-sync": 0x8,
    b"flag-immutable": 0x10,
    b"flag-append": 0x20,
    b"flag-nodump": 0x40,
    b"flag-noatime": 0x80,
    b"flag-dirsync.d": 0x10000,
    b"flag-topdir.d": 0x20000,
}
"""FS_*_FL of linux/fs.h, by the name of what carries it; names in .d are directories."""

HUGE = b"hole-4g"
"""A sparse file beyond 4 GiB; its hole takes seconds to hash."""

MODES = (0o4755, 0o2755, 0o6711, 0o1777, 0o0000, 0o0400, 0o7777)
OWNERS = ((65534, 65534), (65536, 65537), (100_000, 200_000), (2**31, 2**31 + 5), (2**32 - 2,) * 2)
SECOND = 1_000_000_000
TIMES_NS = (
    0,
    1,
    SECOND - 1,
    1_700_000_000_123_456_789,
    2**31 * SECOND + 5,
    4_102_444_800 * SECOND + 7,
    -5 * SECOND,
    -1,
    12_345_678_901 * SECOND + 3,
)
NAMES = (
    b"new\nline", b"invalid\xff\xfe", b"L" * 255, b" lead", b"trail ", b'q"uote', b"q'uote",
    b"back\\slash", b"tab\t", b"-dash", b"*star", b"#hash", b";semicolon", b"\xc3\xa9t\xc3\xa9",
    b"e\xcc\x81t\xc3\xa9", b"<12>", b"\x01control", b"return\r", b"%41", b"~", b"\x1b[31mred",
    b"a-b", b"a.b", b"a", "日".encode() * 85,
)  # fmt: skip
CAPABILITIES = {
    b"cap-v2": "0100000200200000000000000000000000000000",
    b"cap-v2-two": "0100000200300000003000000000000000000000",
    b"cap-v3": "0100000300200000000000000000000000000000e8030000",
}
"""security.capability of linux/capability.h; the first is cap_net_raw+ep."""
ACL_ACCESS = (
    "0200000001000600ffffffff02000600e803000004000400ffffffff10000600ffffffff20000000ffffffff"
)
ACL_DEFAULT = (
    "0200000001000700ffffffff02000700e803000004000500ffffffff10000700ffffffff20000500ffffffff"
)
"""linux/posix_acl_xattr.h: u:1000:rw over 0640, and u:1000:rwx over 0755."""


def build(root: Path, *, big_directory: int = 2000) -> None:
    """Fill a directory on a file system with inode flags, xattrs and devices (ext4).

    Smaller blocks hold shorter symlinks and attributes. The file system must have room for about
    20 MiB and three hundred inodes beside those of the big directory.
    """
    top = os.fsencode(root)
    block_size = os.statvfs(top).f_frsize
    _modes_and_owners(top)
    _attributes(top, most=min(3000, block_size - 200))
    _links(top, longest=min(4000, block_size - 1))
    _nodes(top)
    _holes(top)
    _names(top, big_directory)
    _times(top)
    _flags(top)  # the last: what is immutable takes nothing more


def release(root: Path) -> None:
    """Take the flags away again, so that the tree can be deleted."""
    for name in FLAGS:
        _set_flags(os.path.join(os.fsencode(root), name), 0)


def _write(path: bytes, content: bytes = b"x") -> bytes:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    try:
        os.write(handle, content)
    finally:
        os.close(handle)
    return path


def _modes_and_owners(top: bytes) -> None:
    for mode in MODES:
        path = _write(top + b"/mode-%o" % mode, b"%o" % mode)
        os.chmod(path, mode)
    for mode in (0o1777, 0o2775, 0o700):
        path = top + b"/mode-%o.d" % mode
        os.mkdir(path)
        os.chmod(path, mode)
    for uid, gid in OWNERS:
        os.chown(_write(top + b"/owner-%d" % uid), uid, gid)
    os.mkdir(top + b"/owner.d")
    os.chown(top + b"/owner.d", 1000, 70_001)


def _attributes(top: bytes, *, most: int) -> None:
    some = _write(top + b"/xattr")
    for name, value in (("user.bin", b"bar\0\xff"), ("user.empty", b""), ("trusted.t", b"T" * 50)):
        os.setxattr(some, name, value)
    os.setxattr(_write(top + b"/xattr-large"), "user.large", random.Random(1).randbytes(most))  # noqa: S311
    many = _write(top + b"/xattr-many")
    for number in range(20):
        os.setxattr(many, f"user.n{number}", b"v%d" % number * 5)
    for number in range(3):  # the same attributes: ext4 lets them share a block
        os.setxattr(_write(top + b"/xattr-shared-%d" % number), "user.shared", b"s" * 400)
    for holder, capabilities in CAPABILITIES.items():
        path = _write(top + b"/" + holder)
        os.setxattr(path, "security.capability", bytes.fromhex(capabilities))
    access = _write(top + b"/acl")
    os.chmod(access, 0o640)
    os.setxattr(access, "system.posix_acl_access", bytes.fromhex(ACL_ACCESS))
    os.mkdir(top + b"/acl.d", 0o755)
    os.setxattr(top + b"/acl.d", "system.posix_acl_default", bytes.fromhex(ACL_DEFAULT))
    _write(top + b"/acl.d/inherits")
    os.mkdir(top + b"/xattr.d")
    os.setxattr(top + b"/xattr.d", "user.d", b"1")


def _links(top: bytes, *, longest: int) -> None:
    first = _write(top + b"/hard-1", b"hard" * 100)
    os.mkdir(top + b"/hard.d")
    os.link(first, top + b"/hard.d/hard-2")
    os.link(first, top + b"/a-hard-0")
    os.setxattr(first, "user.h", b"1")
    os.link(_write(top + b"/hard-empty", b""), top + b"/hard-empty-2")
    os.symlink(b"z", top + b"/soft-hard")
    os.link(top + b"/soft-hard", top + b"/soft-hard-2", follow_symlinks=False)
    for length in (1, 59, 60, 61, 255, longest):
        os.symlink((b"abcdefghi/" * 500)[:length], top + b"/soft-%d" % length)
    os.lchown(top + b"/soft-61", 1000, 1000)
    os.symlink(b"invalid\xff\nline", top + b"/soft-bytes")
    os.setxattr(top + b"/soft-hard", "trusted.l", b"1", follow_symlinks=False)


def _nodes(top: bytes) -> None:
    devices = {
        b"chr": (0o20666, 5, 1), b"blk": (0o60640, 179, 2), b"chr-large": (0o20600, 300, 70_000),
        b"chr-edge": (0o20600, 255, 255), b"blk-edge": (0o60600, 256, 0),
        b"whiteout": (0o20000, 0, 0),
    }  # fmt: skip
    for name, (mode, major, minor) in devices.items():
        os.mknod(top + b"/" + name, mode, os.makedev(major, minor))
    os.link(top + b"/chr", top + b"/chr-hard")
    os.mkfifo(top + b"/fifo", 0o622)
    os.mknod(top + b"/sock", stat.S_IFSOCK | 0o755)
    os.chown(top + b"/sock", 0, 5)


def _holes(top: bytes) -> None:
    for name, pieces, size in (
        (b"hole-middle", {50 << 20: b"mid" * 5000}, 100 << 20),
        (HUGE, {4 << 30: b"at 4 GiB", (4 << 30) + 99_996: b"tail"}, (4 << 30) + 100_000),
        (b"hole-all", {}, 100 << 20),
        (b"hole-end", {0: b"a" * 5000}, 3 << 20),
        (b"hole-many", {number * 12288: b"%d" % number for number in range(600)}, 600 * 12288),
    ):
        _write(top + b"/" + name, b"")
        with open(top + b"/" + name, "r+b", buffering=0) as file:
            file.truncate(size)
            for at, data in pieces.items():
                file.seek(at)
                file.write(data)
    _write(top + b"/zeroes", bytes(2 << 20))
    _write(top + b"/empty", b"")
    with open(_write(top + b"/reserved", b"abc"), "r+b") as file:
        os.posix_fallocate(file.fileno(), 0, 200_000)


def _names(top: bytes, big_directory: int) -> None:
    for name in NAMES:
        _write(top + b"/" + name, b"n:" + name)
    for name in (b"D" * 255, b"dir\n\xff", b"empty.d", b"a-b.d", b"ab", b"a.d"):
        os.mkdir(top + b"/" + name)
    for directory in (b"D" * 255, b"dir\n\xff", b"a-b.d", b"ab", b"a.d"):
        _write(top + b"/" + directory + b"/file")
    os.setxattr(top + b"/new\nline", "user.x", b"1")
    deep = top + b"/deep"
    os.mkdir(deep)
    for number in range(60):
        deep += b"/" + b"d%02d" % number * 6
        os.mkdir(deep)
    _write(deep + b"/leaf")
    os.mkdir(top + b"/big")
    for number in range(big_directory):
        _write(top + b"/big/file-with-some-name-%06d" % number, b"")


def _times(top: bytes) -> None:
    """Give everything a date; directories after what is in them."""
    dice = random.Random(3)  # noqa: S311
    for path in _deepest_first(top):
        moment = dice.randrange(SECOND**2, 1_790_000_000 * SECOND)
        os.utime(path, ns=(1, moment), follow_symlinks=False)
    for moment in TIMES_NS:
        path = _write(top + b"/time%d" % moment)
        os.utime(path, ns=(moment, moment))
    os.utime(top, ns=(5, 1_600_000_000_123_456_789))


def _deepest_first(top: bytes) -> Iterator[bytes]:
    for folder, _, files in os.walk(top, topdown=False):
        if not folder.endswith(b"/big"):
            yield from (folder + b"/" + name for name in files)
        yield folder


def _flags(top: bytes) -> None:
    for name, flags in FLAGS.items():
        path = top + b"/" + name
        if name.endswith(b".d"):
            os.mkdir(path)
        else:
            _write(path)
        _set_flags(path, flags)
    os.utime(top, ns=(5, 1_600_000_000_123_456_789))


def _set_flags(path: bytes, flags: int) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        now = array.array("L", [0])
        fcntl.ioctl(handle, FS_IOC_GETFLAGS, now)
        # What the file system sets itself must stay: without its "extents" it would convert.
        wanted = (now[0] & ~sum(FLAGS.values())) | flags
        fcntl.ioctl(handle, FS_IOC_SETFLAGS, array.array("L", [wanted]))
    finally:
        os.close(handle)
