"""A file system seen without what is mounted in it."""

from __future__ import annotations

import ctypes
import errno
import os
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_MEMORY = "/dev/shm"  # noqa: S108  mkdtemp makes a directory of our own
_LIBC = ctypes.CDLL(None, use_errno=True)
_SYS_OPEN_TREE = 428
_AT_FDCWD = -100
_OPEN_TREE_CLONE = 1
_MS_BIND, _MNT_DETACH, _UMOUNT_NOFOLLOW = 0x1000, 0x2, 0x8


@contextmanager
def bare_mount(mount: bytes) -> Iterator[int]:
    """Hold open a private copy of a mount, without the mounts inside it.

    Directories that something is mounted on are seen as they are on the medium, with what lies
    hidden in them. Nobody else sees the copy; it keeps the file system in use.

    Raises:
        OSError: EPERM for who is not root, else as open_tree(2) or mount(2).
    """
    try:
        path = _cloned(mount)
    except OSError as error:
        if error.errno != errno.ENOSYS:
            raise
        path = _bound(mount)
    try:
        top = os.open(b".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=path)
    finally:
        os.close(path)
    try:
        yield top
    finally:
        os.close(top)


def _cloned(mount: bytes) -> int:
    handle = _LIBC.syscall(_SYS_OPEN_TREE, _AT_FDCWD, mount, _OPEN_TREE_CLONE | os.O_CLOEXEC)
    if handle < 0:
        raise _last_error(mount)
    return int(handle)


def _bound(mount: bytes) -> int:
    """Do the same on kernels before 5.2: bind the mount, and take it out of the tree at once."""
    place = Path(tempfile.mkdtemp(prefix="holdstill-", dir=_MEMORY))
    try:
        return _bound_at(mount, os.fsencode(place))
    finally:
        place.rmdir()


def _bound_at(mount: bytes, place: bytes) -> int:
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
