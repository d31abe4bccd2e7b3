"""A file system seen without what is mounted in it."""

from __future__ import annotations

import ctypes
import errno
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_LIBC = ctypes.CDLL(None, use_errno=True)
_SYS_OPEN_TREE = 428
_OPEN_TREE_CLONE = 1
_MS_BIND, _MNT_DETACH, _UMOUNT_NOFOLLOW = 0x1000, 0x2, 0x8


@contextmanager
def bare(mount: bytes, scratch: Path) -> Iterator[int]:
    """Hold open a private copy of a mount, without the mounts inside it.

    Directories that something is mounted on are seen as they are on the medium, with what lies
    hidden in them. Nobody else sees the copy; it keeps the file system in use.

    Args:
        mount: where the file system is mounted.
        scratch: an empty directory of ours, used on kernels before 5.2 only.

    Raises:
        OSError: EPERM for who is not root, else as open_tree(2) or mount(2).
    """
    try:
        path = _cloned(mount)
    except OSError as error:
        if error.errno != errno.ENOSYS:
            raise
        path = _bound(mount, scratch)
    try:
        top = os.open(b".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=path)
    finally:
        os.close(path)
    try:
        yield top
    finally:
        os.close(top)


def _cloned(mount: bytes) -> int:
    handle = _LIBC.syscall(
        _SYS_OPEN_TREE, -100, mount, _OPEN_TREE_CLONE | os.O_CLOEXEC
    )  # -100: AT_FDCWD
    if handle < 0:
        raise _last_error(mount)
    return int(handle)


def _bound(mount: bytes, scratch: Path) -> int:
    """Bind the mount, without those inside it, and take it out of the tree at once."""
    place = os.fsencode(scratch)
    if _LIBC.mount(mount, place, None, _MS_BIND, None) != 0:
        raise _last_error(mount)
    try:
        return os.open(place, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    finally:
        if _LIBC.umount2(place, _MNT_DETACH | _UMOUNT_NOFOLLOW) != 0:
            raise _last_error(place)


def _last_error(path: bytes) -> OSError:
    number = ctypes.get_errno()
    return OSError(number, os.strerror(number), path)
