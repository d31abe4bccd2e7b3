"""Print one JSON line for every entry below the given directories of this file system.

A second witness of what a rebuild must restore: it shares no code with the product.
"""

from __future__ import annotations

import array
import base64
import errno
import fcntl
import hashlib
import json
import os
import stat
import struct
import sys

# linux/fs.h: its number holds the size of a long.
FS_IOC_GETFLAGS = 0x80006601 | struct.calcsize("l") << 16
# Append-only, immutable, no-dump, no-atime, synchronous: those that a person sets.
SET_BY_PEOPLE = 0x20 | 0x10 | 0x40 | 0x80 | 0x08


def encode(raw: bytes) -> str:
    return base64.b64encode(raw).decode()


def digest(path: bytes) -> str:
    with open(path, "rb") as file:  # noqa: PTH123  pathlib knows no bytes
        return hashlib.file_digest(file, "sha256").hexdigest()


def flags(path: bytes) -> int:
    file = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        answer = array.array("l", [0])
        fcntl.ioctl(file, FS_IOC_GETFLAGS, answer)
    except OSError as error:
        if error.errno != errno.ENOTTY:  # a FAT has no such flags
            raise
        return 0
    else:
        return answer[0] & SET_BY_PEOPLE
    finally:
        os.close(file)


def describe(path: bytes, groups: dict[int, bytes]) -> dict[str, object]:
    info = os.lstat(path)
    entry: dict[str, object] = {
        "path": encode(path),
        "mode": info.st_mode,
        "owner": [info.st_uid, info.st_gid],
        "mtime_ns": info.st_mtime_ns,
        "xattrs": {
            name: encode(os.getxattr(path, name, follow_symlinks=False))
            for name in sorted(os.listxattr(path, follow_symlinks=False))
        },
    }
    if stat.S_ISREG(info.st_mode):
        entry |= {"size": info.st_size, "sha256": digest(path), "flags": flags(path)}
        entry["holes"] = info.st_blocks * 512 < info.st_size
    if stat.S_ISLNK(info.st_mode):
        entry["target"] = encode(os.readlink(path))  # noqa: PTH115  pathlib knows no bytes
    if stat.S_ISCHR(info.st_mode) or stat.S_ISBLK(info.st_mode):
        entry["device"] = info.st_rdev
    if not stat.S_ISDIR(info.st_mode) and info.st_nlink > 1:
        entry["links"] = info.st_nlink
        entry["same_as"] = encode(groups.setdefault(info.st_ino, path))
    return entry


def walk(path: bytes, device: int, groups: dict[int, bytes]) -> None:
    info = os.lstat(path)
    if info.st_dev != device:
        return
    sys.stdout.write(json.dumps(describe(path, groups)) + "\n")
    if stat.S_ISDIR(info.st_mode):
        for name in sorted(os.listdir(path)):  # noqa: PTH208  pathlib knows no bytes
            walk(path + b"/" + name, device, groups)


if __name__ == "__main__":
    for start in map(os.fsencode, sys.argv[1:]):
        walk(start, os.lstat(start).st_dev, {})
