"""The ioctl(2) requests that Python has no name for.

Their numbers are those of linux/fs.h and linux/msdos_fs.h on every architecture with the generic
ioctl encoding (x86, Arm, RISC-V). A number holds the size of its argument, so those declared with
long or size_t differ between 32 and 64 bits; a 32-bit program must send its own, also to a 64-bit
kernel.
"""

from __future__ import annotations

import errno
import fcntl
import struct
from typing import NamedTuple

from holdstill.system import libc


class WordSizedRequests(NamedTuple):
    """The requests whose numbers hold the size of a long or size_t, which Linux makes equal."""

    get_flags: int
    set_flags: int
    get_version: int
    device_size: int


def word_sized_requests(word: int) -> WordSizedRequests:
    """Return their numbers for a long of that many bytes (asm-generic/ioctl.h: from bit 16)."""
    size = word << 16
    return WordSizedRequests(
        get_flags=0x80006601 | size,
        set_flags=0x40006602 | size,
        get_version=0x80007601 | size,
        device_size=0x80001272 | size,
    )


FIFREEZE = 0xC0045877
FITHAW = 0xC0045878
BLKRRPART = 0x125F
BLKFLSBUF = 0x1261
BLKDISCARD = 0x1277
FS_IOC_GETFLAGS, FS_IOC_SETFLAGS, FS_IOC_GETVERSION, BLKGETSIZE64 = word_sized_requests(
    struct.calcsize("l")
)
FAT_IOCTL_GET_ATTRIBUTES = 0x80047210
FAT_IOCTL_GET_VOLUME_ID = 0x80047213

NO_FLAGS_ERRORS = frozenset({errno.ENOTTY, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS})
"""Errors of file systems that have no inode flags."""


def freeze(mount: int) -> None:
    """Freeze the file system of an open directory; OSError EBUSY if it is frozen already."""
    fcntl.ioctl(mount, FIFREEZE, 0)


def thaw(mount: int) -> None:
    """Thaw the file system of an open directory; OSError EINVAL if it is not frozen."""
    fcntl.ioctl(mount, FITHAW, 0)


def sync_file_system(handle: int) -> None:
    """Write out everything of the file system that handle is on (syncfs(2)).

    No ioctl, but the third of the calls that freezing takes.
    """
    libc.syncfs(handle)


def device_size(device: int) -> int:
    """Return the bytes of an open block device."""
    (size,) = struct.unpack("Q", fcntl.ioctl(device, BLKGETSIZE64, bytes(8)))
    return int(size)


def drop_device_cache(device: int) -> None:
    """Write out and drop the page cache of an open block device."""
    fcntl.ioctl(device, BLKFLSBUF, 0)


def reread_table(device: int) -> None:
    """Make the kernel read the partition table again; OSError EBUSY if a partition is in use."""
    fcntl.ioctl(device, BLKRRPART, 0)


def discard(device: int, start: int, length: int) -> None:
    """Discard a range of bytes of a block device; OSError if it cannot."""
    fcntl.ioctl(device, BLKDISCARD, struct.pack("QQ", start, length))


def inode_flags(handle: int) -> int:
    """Return FS_*_FL of an open file; 0 where the file system has none."""
    try:
        (flags,) = struct.unpack_from("I", fcntl.ioctl(handle, FS_IOC_GETFLAGS, bytes(8)))
    except OSError as error:
        if error.errno in NO_FLAGS_ERRORS:
            return 0
        raise
    return int(flags)


def set_inode_flags(handle: int, flags: int) -> None:
    """Set FS_*_FL of an open file.

    The kernel reads 32 bits, whatever the request's number says (fs/ioctl.c, ioctl_setflags).
    """
    fcntl.ioctl(handle, FS_IOC_SETFLAGS, struct.pack("I4x", flags))


def inode_generation(handle: int) -> int:
    """Return the generation of an open file's inode; 0 where the file system has none."""
    try:
        (value,) = struct.unpack_from("I", fcntl.ioctl(handle, FS_IOC_GETVERSION, bytes(8)))
    except OSError as error:
        if error.errno in NO_FLAGS_ERRORS:
            return 0
        raise
    return int(value)


def fat_attributes(handle: int) -> int:
    """Return the attribute byte of an open file or directory on a mounted FAT."""
    (value,) = struct.unpack("I", fcntl.ioctl(handle, FAT_IOCTL_GET_ATTRIBUTES, bytes(4)))
    return int(value) & 0xFF
