"""Every change to a store passes through here, one small method a system call or two.

So there is one place to read how changes survive a power cut, and one place where a test can
cut the power: it passes in a disk that fails, or stops for good, at the N-th call.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from contextlib import suppress
from typing import TYPE_CHECKING

from holdstill.system import files, ioctl, libc

if TYPE_CHECKING:
    from pathlib import Path

_CANNOT_CLONE = frozenset({errno.EXDEV, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP})
_ROUNDS_MOST = 10_000
DEPTH_AT_ONCE = 64
"""Levels of a tree that are removed with their directories open."""


class StoreDisk:
    """The disk under a store."""

    def make_directory(self, path: Path) -> None:
        """Make a directory for the owner alone."""
        path.mkdir(mode=0o700)

    def make_directory_at(self, name: bytes, at: int) -> None:
        """Make a directory for the owner alone in an open directory."""
        os.mkdir(name, 0o700, dir_fd=at)

    def create(self, path: Path, content: bytes, *, mode: int = 0o600) -> None:
        """Write a file that must not exist yet; it is not on the medium yet."""
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        handle = os.open(path, flags, mode)
        try:
            with files.named(path):
                files.write_all(handle, content)
        finally:
            os.close(handle)

    def append(self, path: Path, line: bytes) -> None:
        """Add to the end of a file; it is not on the medium yet."""
        flags = os.O_WRONLY | os.O_APPEND | os.O_NOFOLLOW
        with files.opened(path, flags) as handle, files.named(path):
            files.write_all(handle, line)

    def date(self, path: Path, seconds: int) -> None:
        """Set a file's times, in seconds since 1970."""
        os.utime(path, (seconds, seconds), follow_symlinks=False)

    def truncate(self, path: Path, size: int) -> None:
        """Cut a file, and on the medium."""
        with files.opened(path, os.O_WRONLY | os.O_NOFOLLOW) as handle:
            os.ftruncate(handle, size)
            os.fsync(handle)

    def clone(self, source: Path, target: Path) -> None:
        """Copy a file to a name that must not exist; holes stay, blocks are shared if they can be.

        The copy is another inode: what happens to one never shows in the other.
        """
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
        with files.opened(source, os.O_RDONLY | os.O_NOFOLLOW) as reader:
            writer = os.open(target, flags, 0o600)
            try:
                size = os.fstat(reader).st_size
                os.ftruncate(writer, size)
                for start, end in files.data_ranges(reader, size):
                    _copy_range(reader, writer, (start, end))
            finally:
                os.close(writer)

    def link_at(self, source: str, name: bytes, at: int) -> None:
        """Give a file one more name, in an open directory."""
        os.link(source, name, dst_dir_fd=at, follow_symlinks=False)

    def rename(self, source: Path, target: Path) -> None:
        """Move a name; what target named is gone."""
        source.rename(target)

    def rename_new(self, source: Path, target: Path) -> None:
        """Move a name to one that must not exist; FileExistsError if it does."""
        try:
            libc.rename_noreplace(source, target)
        except OSError as error:
            if error.errno not in libc.NO_SUCH_RENAME:
                raise
            _link_and_unlink(source, target)

    def unlink(self, path: Path) -> None:
        """Remove a file's name."""
        path.unlink()

    def unlink_at(self, name: bytes, at: int) -> None:
        """Remove a file's name from an open directory."""
        os.unlink(name, dir_fd=at)

    def remove_directory_at(self, name: bytes, at: int) -> None:
        """Remove an empty directory from an open directory."""
        os.rmdir(name, dir_fd=at)

    def change_mode(self, handle: int, mode: int) -> None:
        """Set permission bits of an open file."""
        os.fchmod(handle, mode)

    def sync_file(self, path: Path) -> None:
        """Make a file's bytes survive a power cut."""
        with files.opened(path, os.O_RDONLY | os.O_NOFOLLOW) as handle:
            os.fsync(handle)

    def sync_directory(self, path: Path) -> None:
        """Make the names in a directory survive a power cut."""
        files.sync_directory(path)

    def sync_all(self, path: Path) -> None:
        """Make everything on the file system of path survive a power cut."""
        with files.opened(path, os.O_RDONLY | os.O_DIRECTORY) as handle:
            ioctl.sync_file_system(handle)

    def open_dropped(self, path: Path) -> int:
        """Open a file, and give up what memory holds of it; the caller closes.

        So the disk's answer is judged and not the cache's. The caller has synced the file.
        """
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC
        handle = os.open(path, flags)
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
        return handle

    def reread(self, handle: int, *, size_limit: int) -> tuple[bytes, int]:
        """Return SHA-256 and size of a regular file with one name, from `open_dropped`.

        Raises:
            OSError: EMLINK for a second name, EFTYPE-like EINVAL for what is no regular file,
                EFBIG above the limit.
        """
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            raise OSError(errno.EINVAL, "no regular file")
        if found.st_nlink != 1:
            raise OSError(errno.EMLINK, "it has a second name")
        if found.st_size > size_limit:
            raise OSError(errno.EFBIG, "larger than allowed")
        return files.hash_open_file(handle, found.st_size), found.st_size

    # From here on: composed of the calls above.

    def publish(self, target: Path, content: bytes) -> None:
        """Make target hold content: all of it, or what it held before."""
        draft = target.with_name(f".{target.name}.draft")
        if os.path.lexists(draft):
            self.unlink(draft)
        self.create(draft, content)
        self.sync_file(draft)
        self.rename(draft, target)
        self.sync_directory(target.parent)  # or a power cut can still forget the rename

    def remove_tree(self, folder: Path) -> None:
        """Remove a directory and all below it, following no symlink; gone already is fine.

        Another process may remove the same, or a transfer that has not noticed its end yet may
        still add to it: that is begun again, and what is added all the time is left at last.

        A board may send directories far deeper than a call stack or a table of open files is:
        what lies deeper than DEPTH_AT_ONCE is first moved up to the top.
        """
        name = os.fsencode(folder.name)
        with files.opened(folder.parent, os.O_RDONLY | os.O_DIRECTORY) as parent:
            for _ in range(_ROUNDS_MOST):
                if not self._remove_at(name, parent, ()):
                    break

    def _remove_at(self, name: bytes, at: int, above: tuple[int, ...]) -> bool:
        """Remove what has this name; True when something was moved up and is still there.

        above: the open directories on the way here, from the top of the tree.
        """
        flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
        try:
            here = os.open(name, flags, dir_fd=at)
        except FileNotFoundError:
            return False
        except OSError as error:
            if error.errno not in {errno.ENOTDIR, errno.ELOOP}:
                raise
            with suppress(FileNotFoundError):
                self.unlink_at(name, at)
            return False
        try:
            is_left = self._empty(here, (*above, here))
        finally:
            os.close(here)
        if is_left and not above:
            return True
        try:
            self.remove_directory_at(name, at)
        except FileNotFoundError:  # somebody else was quicker
            return is_left
        except OSError as error:
            if error.errno != errno.ENOTEMPTY:
                raise
            return True
        return is_left

    def _empty(self, here: int, way: tuple[int, ...]) -> bool:
        with os.scandir(here) as found:
            items = [(os.fsencode(e.name), e.is_dir(follow_symlinks=False)) for e in found]
        is_left = False
        for item, is_directory in items:
            if not is_directory:
                with suppress(FileNotFoundError):
                    self.unlink_at(item, here)
            elif len(way) < DEPTH_AT_ONCE:
                is_left |= self._remove_at(item, here, way)
            else:
                aside = secrets.token_hex(16).encode()
                with suppress(FileNotFoundError):
                    os.rename(item, aside, src_dir_fd=here, dst_dir_fd=way[0])
                is_left = True
        return is_left


def _link_and_unlink(source: Path, target: Path) -> None:
    """Rename without replacing, for file systems that have no such call (NFS).

    A cut between the two leaves two names of one inode; begin() checks for that.
    """
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError as error:
        if error.errno not in {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS}:
            raise
        # No hard links either (FAT, SMB). What is not there now does not appear before the
        # rename: the callers hold a lock.
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "it is there already", str(target)) from error
        source.rename(target)
    else:
        source.unlink()


def _copy_range(reader: int, writer: int, span: tuple[int, int]) -> None:
    position, end = span
    while position < end:
        count = _copy_some(reader, writer, (position, end))
        if count == 0:
            raise EOFError(f"file ended at byte {position}")
        position += count


def _copy_some(reader: int, writer: int, span: tuple[int, int]) -> int:
    position, end = span
    try:
        return os.copy_file_range(reader, writer, end - position, position, position)
    except OSError as error:
        if error.errno not in _CANNOT_CLONE:
            raise
    chunk = os.pread(reader, min(files.CHUNK, end - position), position)
    view = memoryview(chunk)
    while view:
        view = view[os.pwrite(writer, view, position + len(chunk) - len(view)) :]
    return len(chunk)
