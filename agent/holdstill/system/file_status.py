"""fstat(2), fstatat(2) and utimensat(2), also where the C library has no room for a file's times.

One with times of 32 bits, such as that of 32-bit Debian 12, refuses a file of which any time is
after January 2038 (EOVERFLOW). The kernel has calls with 64 bits, which are made then only.
"""

from __future__ import annotations

import errno
import os
import struct
from typing import TYPE_CHECKING

from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_STATX = struct.Struct("=4xI8xIIIH2xQQQ8xqI4x16xqI4xqI4xIIII")
"""struct statx of linux/stat.h up to the device's number, without the time of birth."""
_SECOND_NS = 1_000_000_000


def of_handle(handle: int) -> os.stat_result:
    """Return the status of an open file (fstat(2))."""
    return _either(lambda: os.fstat(handle), handle, b"", libc.AT_EMPTY_PATH)


def of_name(directory: int, name: bytes) -> os.stat_result:
    """Return the status of a name in an open directory; a symlink is not followed (fstatat(2))."""
    return _either(
        lambda: os.stat(name, dir_fd=directory, follow_symlinks=False),
        directory,
        name,
        libc.AT_SYMLINK_NOFOLLOW,
    )


def is_late(path: Path) -> bool:
    """Return whether programs of this machine cannot look at a file, because of its times."""
    try:
        path.stat()
    except OSError as error:
        return error.errno == errno.EOVERFLOW
    return False


def set_modified(name: bytes, ns: int, *, directory: int = libc.AT_FDCWD) -> None:
    """Set the times of last access and change of a file (utimensat(2)); symlinks not followed.

    Args:
        name: the file.
        ns: nanoseconds since 1970.
        directory: an open directory that the name is in; by default, the current one.
    """
    dir_fd = None if directory == libc.AT_FDCWD else directory
    try:
        os.utime(name, ns=(ns, ns), dir_fd=dir_fd, follow_symlinks=False)
    except OverflowError:  # of Python: the C library has no room for it
        libc.utimensat_time64(directory, name, ns, libc.AT_SYMLINK_NOFOLLOW)


def _either(
    ask: Callable[[], os.stat_result], directory: int, name: bytes, flags: int
) -> os.stat_result:
    try:
        return ask()
    except OSError as error:
        if error.errno != errno.EOVERFLOW:
            raise
    return from_statx(libc.statx(directory, name, flags))


def from_statx(raw: bytes) -> os.stat_result:
    """Return struct statx as the functions of os return what they are told."""
    (
        block, links, user, group, mode, inode, size, blocks,
        *times, rdev_major, rdev_minor, dev_major, dev_minor,
    ) = _STATX.unpack_from(raw)  # fmt: skip
    access, change, modification = zip(times[::2], times[1::2], strict=True)
    device = os.makedev(dev_major, dev_minor)
    seconds = (access[0], modification[0], change[0])
    more: dict[str, float] = {"st_blksize": block, "st_blocks": blocks}
    more["st_rdev"] = os.makedev(rdev_major, rdev_minor)
    for key, (whole, part) in {"a": access, "m": modification, "c": change}.items():
        more[f"st_{key}time_ns"] = whole * _SECOND_NS + part
        more[f"st_{key}time"] = whole + part / _SECOND_NS
    return os.stat_result((mode, inode, device, links, user, group, size, *seconds), more)
