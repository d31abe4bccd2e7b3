"""Project ids, and the flags that only struct fsxattr has: what of them is kept, and how."""

from __future__ import annotations

import errno

from holdstill.model.entries import KEPT_XFLAGS, NO_XFLAGS, Xflags
from holdstill.system import ioctl
from holdstill.system.ioctl import NO_FLAGS_ERRORS, FsXattr

PROJECT_INHERIT = 0x200
"""FS_XFLAG_PROJINHERIT of linux/fs.h: what is made in this directory gets its project id."""
_DIRECT_ACCESS = 0x8000
_EXTENT_SIZE, _COW_EXTENT_SIZE = 0x800 | 0x1000, 0x10000
"""Flags without which the sizes mean nothing: FS_XFLAG_EXTSIZE, _EXTSZINHERIT, _COWEXTSIZE."""
_FLAGS_OF_XFLAGS = {PROJECT_INHERIT: 0x20000000, _DIRECT_ACCESS: 0x02000000}
"""FS_PROJINHERIT_FL and FS_DAX_FL. Older kernels' FS_IOC_GETFLAGS and _SETFLAGS do not know them
on an xfs, newer ones' do."""
FLAGS_AS_XFLAGS = sum(_FLAGS_OF_XFLAGS.values())
"""The FS_*_FL that have to be set as FS_XFLAG_*."""


def read(handle: int) -> FsXattr:
    """Return what an open file or directory has; nothing where the file system has none.

    Raises:
        OSError: it cannot be read.
    """
    try:
        return ioctl.fsxattr(handle)
    except OSError as error:
        if error.errno in NO_FLAGS_ERRORS:
            return FsXattr()
        raise


def kept_xflags(found: FsXattr) -> Xflags:
    """Return what is kept beside project id and FS_*_FL."""
    xflags = found.xflags & KEPT_XFLAGS
    if not xflags:
        return NO_XFLAGS
    return Xflags(
        xflags,
        found.extent_size if xflags & _EXTENT_SIZE else 0,
        found.cow_extent_size if xflags & _COW_EXTENT_SIZE else 0,
    )


def kept_flags(found: FsXattr) -> int:
    """Return the FS_*_FL of FLAGS_AS_XFLAGS."""
    return sum(flag for xflag, flag in _FLAGS_OF_XFLAGS.items() if found.xflags & xflag)


def with_kept(before: FsXattr, *, project: int, flags: int, xflags: Xflags) -> FsXattr:
    """Return the same with other values of what is kept; flags: FS_*_FL."""
    new = before.xflags & ~KEPT_XFLAGS & ~sum(_FLAGS_OF_XFLAGS) | xflags.xflags
    new |= sum(xflag for xflag, flag in _FLAGS_OF_XFLAGS.items() if flags & flag)
    return FsXattr(new, xflags.extent_size, project, xflags.cow_extent_size)


def project_of_unopened(directory: int, inode: int) -> int:
    """Return the project id of what cannot be opened without an effect: a symlink, pipe, device.

    xfs tells it by the number of the inode, from Linux 5.3 on and to root. Otherwise it is what a
    new inode in this directory would get. That is wrong only if it was there before the
    directory got its project, came from elsewhere by a rename, or was given one of its own by
    file_setattr(2) of Linux 6.17.

    Args:
        directory: the open directory that it is in.
        inode: its number.
    """
    try:
        found = ioctl.xfs_project(directory, inode)
    except OSError as error:
        if error.errno not in NO_FLAGS_ERRORS | {errno.EPERM}:
            raise
        found = None
    if found is not None:
        return found
    above = read(directory)
    return above.project if above.xflags & PROJECT_INHERIT else 0
