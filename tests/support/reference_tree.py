"""What is in a tree, found out the slow and plain way, and not by the code under test."""

from __future__ import annotations

import fcntl
import hashlib
import os
import stat
import struct
from pathlib import Path

from holdstill.model.entries import Entry, EntryType, Seen

_FS_IOC_GETFLAGS, _FS_IOC_GETVERSION = 0x80086601, 0x80087601  # linux/fs.h
_SETTABLE = (
    0x1 | 0x2 | 0x8 | 0x10 | 0x20 | 0x40 | 0x80 | 0x4000 | 0x8000 | 0x30000 | 0x800000
    | 0x2000000 | 0x20000000
)  # fmt: skip
"""What chattr(1) sets and a rebuild restores: s u S i a d A j t D T C x P."""
_INLINE = 0x10000000
_TYPES = {
    stat.S_IFREG: EntryType.FILE,
    stat.S_IFDIR: EntryType.DIRECTORY,
    stat.S_IFCHR: EntryType.CHARACTER,
    stat.S_IFBLK: EntryType.BLOCK,
    stat.S_IFIFO: EntryType.FIFO,
    stat.S_IFSOCK: EntryType.SOCKET,
    stat.S_IFLNK: EntryType.SYMLINK,
}


def entries(top: Path) -> dict[bytes, Entry]:
    """Return every entry by path, files with their digest."""
    found = {b"": _entry(top, b"")}
    base = os.fsencode(top)
    for directory, directories, files in os.walk(base):
        for name in (*directories, *files):
            path = os.path.join(directory, name)  # noqa: PTH118  names are bytes
            inner = path[len(base) + 1 :]
            found[inner] = _entry(Path(os.fsdecode(path)), inner)
    return found


def _entry(place: Path, path: bytes) -> Entry:
    status = place.lstat()
    kind = _TYPES[stat.S_IFMT(status.st_mode)]
    directory, _, name = path.rpartition(b"/")
    is_file = kind is EntryType.FILE
    flags, generation = _asked(place) if is_file or kind is EntryType.DIRECTORY else (0, None)
    return Entry(
        directory,
        name,
        kind,
        mode=stat.S_IMODE(status.st_mode),
        uid=status.st_uid,
        gid=status.st_gid,
        size=status.st_size if is_file else 0,
        mtime_ns=status.st_mtime_ns,
        link=status.st_ino if status.st_nlink > 1 and not stat.S_ISDIR(status.st_mode) else 0,
        rdev=status.st_rdev if kind in {EntryType.CHARACTER, EntryType.BLOCK} else 0,
        flags=flags & _SETTABLE,
        sparse=int(is_file and not flags & _INLINE and status.st_blocks * 512 < status.st_size),
        target=os.fsencode(place.readlink()) if kind is EntryType.SYMLINK else b"",
        digest=hashlib.sha256(place.read_bytes()).digest() if is_file and status.st_size else b"",
        xattrs={
            attribute: os.getxattr(place, attribute, follow_symlinks=False)
            for attribute in os.listxattr(place, follow_symlinks=False)
        },
        seen=Seen(status.st_ino, status.st_ctime_ns, -1 if generation is None else generation),
    )


def _asked(place: Path) -> tuple[int, int]:
    handle = os.open(place, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
    try:
        (flags,) = struct.unpack("I4x", fcntl.ioctl(handle, _FS_IOC_GETFLAGS, bytes(8)))
        (generation,) = struct.unpack("I4x", fcntl.ioctl(handle, _FS_IOC_GETVERSION, bytes(8)))
    finally:
        os.close(handle)
    return flags, generation


def differences(found: dict[bytes, Entry], true: dict[bytes, Entry]) -> list[str]:
    """Say in words where an index is not as the tree is, every field of it."""
    lines = [f"{path!r} is not in the index" for path in true.keys() - found.keys()]
    lines += [f"{path!r} is only in the index" for path in found.keys() - true.keys()]
    for path in found.keys() & true.keys():
        lines += _field_differences(path, found[path], true[path])
    return sorted(lines)


def _field_differences(path: bytes, found: Entry, true: Entry) -> list[str]:
    if true.seen.generation == -1:  # of what cannot be opened the generation cannot be asked
        true = true._replace(seen=true.seen._replace(generation=found.seen.generation))
    return [
        f"{path!r}: {field} is {mine!r} in the index, and {real!r} in truth"
        for field, mine, real in zip(Entry._fields, found, true, strict=True)
        if mine != real
    ]
