"""File operations that are safe against power cuts, symlinks and races."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import hmac
import os
import re
import stat
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.model import pieces
from holdstill.system import file_status, libc

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

CHUNK = 1 << 20
"""Bytes of one read; small boards have little memory."""
SMALL = CHUNK
"""Files up to this size are read without looking for holes."""


def open_beneath(top: int, path: bytes, flags: int, *, mode: int = 0) -> int:
    """Open a relative path beneath an open directory, following no symlink (openat2(2)).

    Returns a descriptor that the caller closes.

    Raises:
        OSError: ELOOP for a symlink in the path, EXDEV if it leads out, else as open(2).
    """
    how = flags | os.O_CLOEXEC | os.O_NOFOLLOW
    resolve = libc.RESOLVE_BENEATH | libc.RESOLVE_NO_SYMLINKS | libc.RESOLVE_NO_MAGICLINKS
    try:
        return libc.openat2(top, path or b".", how, mode=mode, resolve=resolve)
    except OSError as error:
        if error.errno != errno.ENOSYS:
            raise
    return _open_by_component(top, path, flags, mode)


def _open_by_component(top: int, path: bytes, flags: int, mode: int) -> int:
    """Do the same on kernels before 5.6, which have no openat2(2)."""
    *parents, last = path.split(b"/") if path else [b"."]
    parent = os.dup(top)
    try:
        for name in parents:
            if name in {b"", b".", b".."}:
                raise OSError(errno.EXDEV, os.strerror(errno.EXDEV), path)
            below = os.open(name, os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=parent)
            os.close(parent)
            parent = below
        return os.open(last, flags | os.O_CLOEXEC | os.O_NOFOLLOW, mode, dir_fd=parent)
    finally:
        os.close(parent)


@contextmanager
def opened(
    path: Path | bytes | str, flags: int = os.O_RDONLY, *, mode: int = 0o600
) -> Iterator[int]:
    """Hold a descriptor open for the length of the block; mode is for a file that is created."""
    handle = os.open(path, flags | os.O_CLOEXEC, mode)
    try:
        yield handle
    finally:
        os.close(handle)


@contextmanager
def alone_in(folder: Path) -> Iterator[None]:
    """Be the only one who changes what is in a folder, of those who ask this way (flock(2))."""
    with opened(folder, os.O_RDONLY | os.O_DIRECTORY) as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def identity(path: Path) -> tuple[int, int, int] | None:
    """Return what is another once a file was replaced or written to; None where there is none."""
    with suppress(OSError):
        state = path.lstat()
        return state.st_ino, state.st_size, state.st_mtime_ns
    return None


def read_regular(path: Path) -> bytes:
    """Return the bytes of a regular file; a pipe or device in its place holds nobody up.

    Raises:
        OSError: it is none (EINVAL), or cannot be read.
    """
    with opened(path, os.O_RDONLY | os.O_NONBLOCK) as handle:
        kind = file_status.of_handle(handle).st_mode
        if stat.S_ISDIR(kind):
            raise IsADirectoryError(errno.EISDIR, "Is a directory", os.fspath(path))
        if not stat.S_ISREG(kind):
            raise OSError(errno.EINVAL, "not a regular file", os.fspath(path))
        with open(handle, "rb", closefd=False) as content:
            return content.read()


def sync_directory(directory: Path) -> None:
    """Write a directory's names to the medium (fsync(2))."""
    with opened(directory, os.O_RDONLY | os.O_DIRECTORY) as handle:
        os.fsync(handle)


def sync_file(path: Path) -> None:
    """Write a file's bytes to the medium (fsync(2))."""
    with opened(path) as handle:
        os.fsync(handle)


def publish(target: Path, content: bytes, *, mode: int = 0o600) -> None:
    """Replace a file's content atomically: after a power cut it is the old or the new one."""
    draft = target.with_name(f".{target.name}.draft")
    with opened_for_writing(draft, mode=mode) as handle, named(target):
        write_all(handle, content)
        os.fsync(handle)
    draft.replace(target)
    sync_directory(target.parent)  # or a power cut can still forget the rename


@contextmanager
def named(path: Path) -> Iterator[None]:
    """Give a failure that knows only a descriptor, such as of a full disk, the file's name."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            error.filename = str(path)
        raise


@contextmanager
def opened_direct(path: Path, flags: int) -> Iterator[int | None]:
    """Hold a file or device open with O_DIRECT; None on a file system without it."""
    try:
        handle = os.open(path, flags | os.O_DIRECT | os.O_CLOEXEC)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        yield None
        return
    try:
        yield handle
    finally:
        os.close(handle)


@contextmanager
def opened_for_writing(path: Path, *, mode: int = 0o600) -> Iterator[int]:
    """Hold a file open for writing, created or emptied; OSError ELOOP if it is a symlink."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW
    with opened(path, flags, mode=mode) as handle:
        yield handle


@contextmanager
def opened_new(path: Path, *, mode: int = 0o600) -> Iterator[int]:
    """Hold a new file open for reading and writing; FileExistsError if there is one."""
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
    with opened(path, flags, mode=mode) as handle:
        yield handle


def read_if_there(path: Path) -> bytes:
    """Return the bytes of a regular file, b"" where there is none; OSError as `read_regular`."""
    try:
        return read_regular(path)
    except FileNotFoundError:
        return b""


def mount_of(path: Path) -> tuple[int, int]:
    """Return what tells mounts apart: device, and id of the mount (proc_pid_fdinfo(5)).

    A bind mount has the device of what is mounted. A symlink is looked at itself.
    """
    with opened(path, os.O_PATH | os.O_NOFOLLOW) as handle:
        return file_status.of_handle(handle).st_dev, mount_id(handle)


def mount_id(handle: int) -> int:
    """Return the id of the mount that a descriptor is on (proc_pid_fdinfo(5)); 0 = unknown."""
    with opened(f"/proc/self/fdinfo/{handle}") as info:
        found = re.search(rb"(?m)^mnt_id:\s*(\d+)$", os.read(info, 4096))
    return int(found[1]) if found else 0


def write_all(handle: int, content: bytes | memoryview) -> None:
    """Write every byte; one write(2) may take fewer."""
    view = memoryview(content)
    while view:
        view = view[os.write(handle, view) :]


_NO_ATTRIBUTE = "user.holdstill.none"
"""An extended attribute that no file has."""


def wait_for_writers(handle: int) -> None:
    """Wait until all calls that are writing to an open file now are over; it changes nothing.

    One write(2) may take seconds, on a slow card or where the writer is not urgent. It sets the
    file's times before all else, so whoever reads meanwhile takes old bytes that no time stamp
    tells of. And one past the page cache (O_DIRECT) throws out the page that it made stale only
    when the disk has long answered.

    Both hold the inode's lock (Linux, Documentation/filesystems/locking.rst: write_iter is called
    with i_rwsem; in shared mode where an O_DIRECT write overwrites), and so does whoever removes
    an attribute, in exclusive mode. On a mount that is read-only the kernel refuses that before it
    locks anything; looking for data takes the lock in shared mode, so that writes past the page
    cache are not waited for. Asynchronous ones (AIO, io_uring) hold it neither way: see
    `open_files.written_directly`.

    Never while the file system is frozen: it would wait for the thaw.
    """
    try:
        os.removexattr(handle, _NO_ATTRIBUTE)
    except OSError as error:
        if error.errno == errno.EROFS:
            with suppress(OSError):
                os.lseek(handle, 0, os.SEEK_DATA)


def data_ranges(handle: int, size: int, *, first: int = 0) -> Iterator[tuple[int, int]]:
    """Yield (start, end) of the parts of an open file that are not holes, from first to size."""
    position = first
    while position < size:
        try:
            start = os.lseek(handle, position, os.SEEK_DATA)
        except OSError as error:
            if error.errno == errno.ENXIO:
                return
            if error.errno != errno.EINVAL:
                raise
            yield position, size  # block devices have no SEEK_DATA
            return
        if start >= size:
            return
        end = min(_next_hole(handle, start, size), size)
        yield start, end
        position = end


def _next_hole(handle: int, start: int, size: int) -> int:
    try:
        return os.lseek(handle, start, os.SEEK_HOLE)
    except OSError as error:
        # ext4's error for a file stored in its inode that was then made longer (Linux 6.18).
        if error.errno == errno.ENOENT:
            return size
        raise


def hash_open_file(handle: int, size: int) -> bytes:
    """Return the SHA-256 of the first size bytes; holes are not read.

    A file that shrinks meanwhile gives a digest of something else, or EOFError: the caller
    compares the file's size and ctime afterwards.
    """
    if size <= SMALL:
        return _small_digest(handle, size)
    total = pieces.ContentHash(size, is_listed=False)
    hash_into(total, handle, size)
    return total.digest()


def content_digest(handle: int, size: int) -> bytes:
    """Return the digest by which captures name a content: of its bytes, or its list of pieces.

    As `hash_open_file` otherwise.
    """
    if size <= SMALL:
        return _small_digest(handle, size)
    total = pieces.ContentHash(size)
    hash_into(total, handle, size)
    return total.digest()


def _small_digest(handle: int, size: int) -> bytes:
    total, position = hashlib.sha256(), 0
    while position < size and (chunk := os.pread(handle, size - position, position)):
        total.update(chunk)
        position += len(chunk)
    total.update(bytes(size - position))  # as a hole reads
    return total.digest()


def hash_into(total: pieces.ContentHash, handle: int, size: int) -> None:
    """Add the first size bytes of a file to a hash, holes as zeroes.

    Raises:
        EOFError: the file is shorter.
    """
    position = 0
    for start, end in data_ranges(handle, size):
        total.add_zeroes(start - position)
        for chunk in _chunks(handle, (start, end), size):
            total.update(chunk)
        position = end
    total.add_zeroes(size - position)


def keyed_digest(handle: int, size: int, key: bytes) -> bytes:
    """Return HMAC-SHA256 (RFC 2104) of the first size bytes of an open file.

    Raises:
        EOFError: the file is shorter.
    """
    total = hmac.new(key, digestmod="sha256")
    for chunk in _chunks(handle, (0, size), size):
        total.update(chunk)
    return total.digest()


def _chunks(handle: int, span: tuple[int, int], size: int) -> Iterator[bytes]:
    position, end = span
    while position < end:
        chunk = os.pread(handle, min(CHUNK, end - position), position)
        if not chunk:
            raise EOFError(f"file ended at byte {position} of {size}")
        yield chunk
        position += len(chunk)


def hash_file(path: Path) -> bytes:
    """Return the SHA-256 of a file that does not change meanwhile."""
    with opened(path, os.O_RDONLY | os.O_NOFOLLOW) as handle:
        return hash_open_file(handle, file_status.of_handle(handle).st_size)
