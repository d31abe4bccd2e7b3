"""The files of a mounted file system as a stream of entries: for kinds that only the kernel reads.

Nothing is followed, opened for writing, or read twice. Shares no code with what filled it.
"""

from __future__ import annotations

import errno
import os
import stat
from heapq import heappop, heappush
from typing import TYPE_CHECKING, NamedTuple

from holdstill.model.entries import KEPT_FLAGS, NO_XFLAGS, Entry, EntryType, Xflags
from holdstill.system import files, fsxattr, ioctl

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
_NO_ATTRIBUTES = frozenset({errno.ENOTSUP, errno.ENODATA})
_DEVICES = frozenset({EntryType.CHARACTER, EntryType.BLOCK})


def entries(root: int, progress: Callable[[int], None]) -> Iterator[Entry]:
    """Yield every entry below an open directory, in key order, with the digests of files."""
    yield _entry(root, b"", b"", progress)
    waiting, device = [b""], os.fstat(root).st_dev
    while waiting:
        directory = heappop(waiting)
        handle = files.open_beneath(root, directory, os.O_RDONLY | os.O_DIRECTORY)
        try:
            with os.scandir(handle) as listing:
                names = sorted(os.fsencode(item.name) for item in listing)
            for name in names:
                if os.stat(name, dir_fd=handle, follow_symlinks=False).st_dev != device:
                    continue  # a subvolume, which has entries of its own
                entry = _entry(handle, directory, name, progress)
                if entry.type is EntryType.DIRECTORY:
                    heappush(waiting, entry.path)
                yield entry
        finally:
            os.close(handle)


def _entry(handle: int, directory: bytes, name: bytes, progress: Callable[[int], None]) -> Entry:
    status = os.stat(name or b".", dir_fd=handle, follow_symlinks=False)
    kind = EntryType.of_mode(status.st_mode)
    if kind in {EntryType.FILE, EntryType.DIRECTORY}:
        inside = _inside(handle, name or b".", kind, status.st_size)
        progress(len(inside.digest) and status.st_size)
    else:
        inside = _Inside(project=fsxattr.project_of_unopened(handle, status.st_ino))
    linked = status.st_nlink > 1 and kind is not EntryType.DIRECTORY
    return Entry(
        directory, name, kind, stat.S_IMODE(status.st_mode), status.st_uid, status.st_gid,
        size=status.st_size if kind is EntryType.FILE else 0,
        mtime_ns=status.st_mtime_ns,
        link=status.st_ino if linked else 0,
        rdev=status.st_rdev if kind in _DEVICES else 0,
        flags=inside.flags,
        target=os.readlink(name, dir_fd=handle) if kind is EntryType.SYMLINK else b"",
        digest=inside.digest,
        xattrs=_attributes(handle, name or b"."),
        project=inside.project,
        xflags=inside.xflags,
    )  # fmt: skip


class _Inside(NamedTuple):
    """What lstat(2) does not return."""

    flags: int = 0
    project: int = 0
    xflags: Xflags = NO_XFLAGS
    digest: bytes = b""


def _inside(handle: int, name: bytes, kind: EntryType, size: int) -> _Inside:
    """Open a file or directory, and read it."""
    opened = os.open(name, _READ, dir_fd=handle)
    try:
        is_read = kind is EntryType.FILE and size > 0
        digest = files.content_digest(opened, size) if is_read else b""
        flags, more = ioctl.inode_flags(opened), fsxattr.read(opened)
        flags |= fsxattr.kept_flags(more)
        return _Inside(flags & KEPT_FLAGS, more.project, fsxattr.kept_xflags(more), digest)
    finally:
        os.close(opened)


def _attributes(handle: int, name: bytes) -> Mapping[str, bytes]:
    place = b"/proc/self/fd/%d/%b" % (handle, name)
    try:
        listed = os.listxattr(place, follow_symlinks=False)
        return {key: os.getxattr(place, key, follow_symlinks=False) for key in listed}
    except OSError as error:
        if error.errno in _NO_ATTRIBUTES:
            return {}
        raise
