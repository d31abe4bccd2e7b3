"""Kernel calls that Python has no name for.

Numbers are those of linux/fs.h and linux/msdos_fs.h on every architecture with the generic
ioctl encoding (x86, Arm, RISC-V).
"""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import struct

FIFREEZE = 0xC0045877
FITHAW = 0xC0045878
BLKRRPART = 0x125F
BLKFLSBUF = 0x1261
BLKDISCARD = 0x1277
BLKGETSIZE64 = 0x80081272
FS_IOC_GETFLAGS = 0x80086601
FS_IOC_SETFLAGS = 0x40086602
FS_IOC_GETVERSION = 0x80087601
FAT_IOCTL_GET_ATTRIBUTES = 0x80047210
FAT_IOCTL_GET_VOLUME_ID = 0x80047213

_LIBC = ctypes.CDLL(None, use_errno=True)
MCL_CURRENT, MCL_FUTURE, MCL_ONFAULT = 1, 2, 4
FAN_CLOEXEC, FAN_NONBLOCK = 0x1, 0x2
FAN_REPORT_FID, FAN_REPORT_DIR_FID = 0x200, 0x400
FAN_MARK_ADD, FAN_MARK_FILESYSTEM = 0x1, 0x100
"""Of linux/fanotify.h; fanotify_init(2) and fanotify_mark(2) say what they mean."""
TMPFS_MAGIC = 0x01021994
"""Of linux/magic.h: what statfs(2) says of a tmpfs."""

NO_FLAGS_ERRORS = frozenset({errno.ENOTTY, errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS})
"""What file systems answer that have no inode flags."""


def freeze(mount: int) -> None:
    """Freeze the file system of an open directory; OSError EBUSY if it is frozen already."""
    fcntl.ioctl(mount, FIFREEZE, 0)


def thaw(mount: int) -> None:
    """Thaw the file system of an open directory; OSError EINVAL if it is not frozen."""
    fcntl.ioctl(mount, FITHAW, 0)


def sync_file_system(handle: int) -> None:
    """Write out everything of the file system that handle is on (syncfs(2))."""
    if _LIBC.syncfs(handle) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def lock_memory() -> None:
    """Keep the pages of this process in memory once they are there (mlockall(2)).

    A forked copy of a large process would otherwise get a private copy of every page.
    """
    if _LIBC.mlockall(MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


def file_system_type(handle: int) -> int:
    """Return the magic number of the file system that handle is on (statfs(2))."""
    answer = ctypes.create_string_buffer(256)  # struct statfs is half of that, type first
    if _LIBC.fstatfs(handle, answer) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return int(ctypes.c_long.from_buffer(answer).value) & 0xFFFFFFFF


def fanotify() -> int:
    """Open a queue of events that name files by their handle (fanotify_init(2)).

    Raises:
        OSError: the kernel is older than 5.9, or built without it, or we are not root.
    """
    flags = FAN_CLOEXEC | FAN_NONBLOCK | FAN_REPORT_FID | FAN_REPORT_DIR_FID
    return _checked(_LIBC.fanotify_init(flags, os.O_RDONLY))


def fanotify_mark(queue: int, mask: int, directory: int) -> None:
    """Let a queue hear of events on the whole file system of a directory (fanotify_mark(2)).

    Raises:
        OSError: EXDEV on a btrfs subvolume, ENODEV or EOPNOTSUPP where files have no handles.
    """
    flags = ctypes.c_uint(FAN_MARK_ADD | FAN_MARK_FILESYSTEM)
    _checked(_LIBC.fanotify_mark(queue, flags, ctypes.c_uint64(mask), directory, None))


def _checked(answer: int) -> int:
    if answer < 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return answer


def device_size(device: int) -> int:
    """Return the bytes of an open block device."""
    (size,) = struct.unpack("Q", fcntl.ioctl(device, BLKGETSIZE64, bytes(8)))
    return int(size)


def drop_device_cache(device: int) -> None:
    """Write out and forget what memory holds of an open block device."""
    fcntl.ioctl(device, BLKFLSBUF, 0)


def reread_table(device: int) -> None:
    """Ask the kernel to read the partition table again; OSError EBUSY if it is in use."""
    fcntl.ioctl(device, BLKRRPART, 0)


def discard(device: int, start: int, length: int) -> None:
    """Tell a block device that a range of bytes holds nothing; OSError if it cannot."""
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
    """Set FS_*_FL of an open file."""
    fcntl.ioctl(handle, FS_IOC_SETFLAGS, struct.pack("Q", flags))


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
