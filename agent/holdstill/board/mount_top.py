"""The top directory of a mount, also of one that another mount covers.

A path leads to what was mounted last. What is below goes on being used by whoever has it open, and
is part of the card: it is reached by a mount of our own, that nobody else sees.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.board import mount_device
from holdstill.model.paths import BoardPath
from holdstill.system import file_status, files, ioctl, libc

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

    from holdstill.board.mounts import Mount

_FLAGS = os.O_RDONLY | os.O_DIRECTORY
_OPTIONS = {"btrfs": (b"subvolid=%d" % ioctl.BTRFS_TOP,)}
"""What has the whole of a file system mounted."""


@contextmanager
def opened(mount: Mount) -> Iterator[int]:
    """Hold the top directory of a mount open.

    Raises:
        OSError: ESTALE: something else is there now; else as open(2), or, for one that is covered,
            as mount(2): we are not root, or the kernel is older than 5.2.
    """
    with reached(mount) as handle:
        found = file_status.of_handle(handle).st_dev
        # btrfs gives each subvolume a device number of its own; a mount of our own has its own id.
        is_other = mount.device[0] != 0 and (os.major(found), os.minor(found)) != mount.device
        known_by = 0 if mount.is_covered else mount.id
        if is_other or known_by not in {0, files.mount_id(handle)}:
            raise OSError(errno.ESTALE, "another file system is mounted there now")
        yield handle


def whole(mount: Mount) -> AbstractContextManager[int]:
    """Hold the top of a mount's whole file system open, whichever folder of it the mount shows.

    Raises:
        OSError: as mount(2): we are not root, or the kernel is older than 5.2.
    """
    return _mounted_again(replace(mount, inside=BoardPath(b"/")))


def as_folder(mount: Mount) -> Mount:
    """Return a mount whose top can be opened as a folder.

    Where one shows a single file, as containers and read-only systems have them, that is the top
    of its whole file system, as of a mount that is covered.
    """
    if mount.is_covered:
        return mount
    try:
        is_file = not stat.S_ISDIR(os.lstat(mount.point.raw).st_mode)
    except OSError:
        return mount  # it is gone
    if not is_file:
        return mount
    return replace(mount, inside=BoardPath(b"/"), is_covered=True, is_of_a_file=True)


def reached(mount: Mount) -> AbstractContextManager[int]:
    """Hold open what is found where a mount was, as `opened` does, whatever that is now."""
    return _mounted_again(mount) if mount.is_covered else files.opened(mount.point.raw, _FLAGS)


def obstacle(mount: Mount) -> str:
    """Return why the top of a mount cannot be opened; "" if it can."""
    try:
        with opened(mount):
            return ""
    except OSError as error:
        return f"{mount.point} is covered by another mount, and cannot be opened: {error.strerror}"


@contextmanager
def _mounted_again(mount: Mount) -> Iterator[int]:
    """Hold the top of a mount open by a second mount of its device."""
    device = mount_device.node(mount)
    kind = mount.type
    with ExitStack() as undo:
        again = libc.second_mount_of_device(
            kind.encode(), os.fsencode(device), _OPTIONS.get(kind, ())
        )
        undo.callback(os.close, again)
        top = os.open(b".", _FLAGS | os.O_CLOEXEC, dir_fd=again)
        undo.callback(os.close, top)
        inside = mount.inside.raw.strip(b"/")
        if inside:
            top = files.open_beneath(top, inside, _FLAGS)
            undo.callback(os.close, top)
        yield top
