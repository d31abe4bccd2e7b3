"""Make files with times after 2038, and one of more than 3 GiB; or tell what there is of them.

    late_and_large.py make
    late_and_large.py look    prints it, as JSON

It looks with statx(2), for the C library of a 32-bit Debian 12 has no room for such times.
"""

from __future__ import annotations

import ctypes
import json
import os
import struct
import sys
from pathlib import Path

TOP = Path("/srv")
NAMES = ("late/small", "late/empty", "late/inside/deep", "late/link", "late/inside")
"""In the order in which times are set: that of a folder last."""
LATE = (2_209_032_000, 123_456_789)
"""2040-01-01 12:00 UTC and some nanoseconds."""
LARGE = 3 << 30
_LIBC = ctypes.CDLL(None, use_errno=True)
# Linux arch/arm/tools/syscall.tbl: 412 = utimensat_time64. linux/fcntl.h: 0x100, no symlinks.
_UTIMENSAT_TIME64, _AT_FDCWD, _AT_SYMLINK_NOFOLLOW = 412, -100, 0x100


def make() -> None:
    (TOP / "late/inside").mkdir(parents=True)
    (TOP / "late/small").write_bytes(b"s")
    (TOP / "late/empty").touch()
    (TOP / "late/inside/deep").write_bytes(b"d" * 70_000)
    (TOP / "late/link").symlink_to("nowhere")
    times = struct.pack("=qqqq", *LATE, *LATE)
    for name in NAMES:
        path = os.fsencode(TOP / name)
        words = (_AT_FDCWD, path, ctypes.c_char_p(times), _AT_SYMLINK_NOFOLLOW)
        assert _LIBC.syscall(_UTIMENSAT_TIME64, *words) == 0, os.strerror(ctypes.get_errno())
    with (TOP / "large").open("wb") as file:
        file.seek(LARGE)
        file.write(b"ended")
    os.sync()


def modified_ns(path: Path) -> int:
    """Return stx_mtime of struct statx, at byte 112 (linux/stat.h)."""
    buffer = ctypes.create_string_buffer(256)
    words = (_AT_FDCWD, os.fsencode(path), _AT_SYMLINK_NOFOLLOW, 0x7FF, buffer)
    assert _LIBC.statx(*words) == 0, os.strerror(ctypes.get_errno())
    seconds, nanoseconds = struct.unpack_from("=qI", buffer.raw, 112)
    return int(seconds) * 1_000_000_000 + int(nanoseconds)


def look() -> dict[str, object]:
    with (TOP / "large").open("rb") as file:
        file.seek(LARGE)
        end = file.read().decode()
    return {
        "times": {name: modified_ns(TOP / name) for name in NAMES},
        "deep": len((TOP / "late/inside/deep").read_bytes()),
        "end": end,
    }


if __name__ == "__main__":
    if sys.argv[1] == "make":
        make()
    else:
        json.dump(look(), sys.stdout)
