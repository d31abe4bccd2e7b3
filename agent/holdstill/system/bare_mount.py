"""A file system without what is mounted in it."""

from __future__ import annotations

import errno
import os
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Iterator

_TMPFS = "/dev/shm"  # noqa: S108  mkdtemp makes a directory of our own


@contextmanager
def bare_mount(mount: bytes) -> Iterator[int]:
    """Hold open a private copy of a mount, without the mounts inside it.

    A directory that something is mounted on shows what is stored in it on the medium. No other
    process sees the copy; it keeps the file system in use.

    Raises:
        OSError: EPERM unless we are root, else as open_tree(2) or mount(2).
    """
    try:
        path = libc.open_tree(mount, libc.OPEN_TREE_CLONE | os.O_CLOEXEC)
    except OSError as error:
        if error.errno != errno.ENOSYS:
            raise
        path = _open_bind_mount(mount)
    try:
        top = os.open(b".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=path)
    finally:
        os.close(path)
    try:
        yield top
    finally:
        os.close(top)


def _open_bind_mount(mount: bytes) -> int:
    """Do the same on kernels before 5.2: bind the mount, and take it out of the tree at once."""
    place = Path(tempfile.mkdtemp(prefix="holdstill-", dir=_TMPFS))
    target = os.fsencode(place)
    try:
        libc.bind_mount(mount, target)
        try:
            return os.open(target, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
        finally:
            libc.detach_mount(target)
    finally:
        place.rmdir()
