"""A mounted tree as the kernel shows it, by plain os calls: the second witness of every reader."""

# Paths are bytes here, which pathlib cannot hold.
# ruff: noqa: PTH115, PTH123, PTH208

from __future__ import annotations

import array
import errno
import fcntl
import hashlib
import os
import stat
from typing import TYPE_CHECKING

from holdstill.model.entries import Entry, EntryType, Seen

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

FS_IOC_GETFLAGS = 0x80086601  # _IOR('f', 1, long), linux/fs.h
FS_IOC_GETVERSION = 0x80087601  # _IOR('v', 1, long)
SETTABLE = 0x604BC0FF
"""EXT4_FL_USER_MODIFIABLE, fs/ext4/ext4.h."""
NOT_RESTORED = 0x4 | 0x80000 | 0x400000 | 0x40000000
"""Of these: compression, extents, blocks behind the end, case folding."""
CHUNK = 1 << 20
_ZEROES = bytes(CHUNK)


def entries(root: Path) -> list[Entry]:
    """Return every entry below a mount point, in key order, contents hashed."""
    return sorted(_below(os.fsencode(root), b"", b""), key=lambda e: (e.directory, e.name))


def _below(real: bytes, directory: bytes, name: bytes) -> Iterator[Entry]:
    entry = _look(real, directory, name)
    yield entry
    if entry.type is EntryType.DIRECTORY:
        for child in os.listdir(real):
            yield from _below(real + b"/" + child, entry.path, child)


def _look(real: bytes, directory: bytes, name: bytes) -> Entry:
    about = os.lstat(real)
    kind = EntryType.of_mode(about.st_mode)
    is_file, is_directory = kind is EntryType.FILE, kind is EntryType.DIRECTORY
    is_device = kind in {EntryType.CHARACTER, EntryType.BLOCK}
    return Entry(
        directory,
        name,
        kind,
        mode=stat.S_IMODE(about.st_mode),
        uid=about.st_uid,
        gid=about.st_gid,
        size=about.st_size if is_file else 0,
        mtime_ns=about.st_mtime_ns,
        link=about.st_ino if about.st_nlink > 1 and not is_directory else 0,
        rdev=about.st_rdev if is_device else 0,
        flags=_flags(real) if is_file or is_directory else 0,
        sparse=int(is_file and about.st_blocks * 512 < about.st_size),
        target=os.readlink(real) if kind is EntryType.SYMLINK else b"",
        digest=_hash(real) if is_file and about.st_size else b"",
        xattrs={
            name: os.getxattr(real, name, follow_symlinks=False)
            for name in os.listxattr(real, follow_symlinks=False)
        },
        seen=Seen(
            about.st_ino,
            about.st_ctime_ns,
            _word(real, FS_IOC_GETVERSION) if is_file or is_directory else 0,
        ),
    )


def _flags(path: bytes) -> int:
    return _word(path, FS_IOC_GETFLAGS) & SETTABLE & ~NOT_RESTORED


def _word(path: bytes, request: int) -> int:
    """Ask for a word of an inode; 0 where the file system has none."""
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)
    try:
        word = array.array("L", [0])
        fcntl.ioctl(handle, request, word)
        return word[0] & 0xFFFFFFFF
    except OSError as error:
        if error.errno != errno.ENOTTY:
            raise
        return 0
    finally:
        os.close(handle)


def _hash(path: bytes) -> bytes:
    """Return a content's digest; of a large file that of its list of pieces, put together here."""
    size = os.stat(path).st_size  # noqa: PTH116  bytes
    if size >= 16 << 20:
        return _hash_of_list(path, size)
    total = hashlib.sha256()
    with open(path, "rb", buffering=0) as file:
        size, position = os.fstat(file.fileno()).st_size, 0
        while position < size:
            start = _seek(file.fileno(), position, os.SEEK_DATA, otherwise=size)
            end = _seek(file.fileno(), start, os.SEEK_HOLE, otherwise=size)
            for at in range(position, start, CHUNK):
                total.update(memoryview(_ZEROES)[: min(CHUNK, start - at)])
            for at in range(start, end, CHUNK):
                total.update(os.pread(file.fileno(), min(CHUNK, end - at), at))
            position = end
    return total.digest()


def _seek(handle: int, position: int, whence: int, *, otherwise: int) -> int:
    """Find the next data or hole; there is none behind the last data, nor in an ext4's inode."""
    try:
        return min(os.lseek(handle, position, whence), otherwise)
    except OSError as error:
        if error.errno not in {errno.ENXIO, errno.ENOENT}:
            raise
        return otherwise


def _hash_of_list(path: bytes, size: int) -> bytes:
    """Write the list as model/pieces.py documents it, by other code."""
    found, holes = (
        b"holdstill pieces" + size.to_bytes(8) + (65536).to_bytes(4) + (1).to_bytes(4),
        0,
    )
    with open(path, "rb") as file:
        while body := file.read(65536):
            if not body.strip(b"\0"):
                holes += 1
                continue
            found += (bytes(24) + holes.to_bytes(8) if holes else b"") + hashlib.sha256(
                body
            ).digest()
            holes = 0
    return hashlib.sha256(found + (bytes(24) + holes.to_bytes(8) if holes else b"")).digest()
