"""Reading what a medium holds, and not what memory remembers of it; without getting in the way."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import hashlib
import mmap
import os
from contextlib import suppress

from holdstill.system import files

ALIGNMENT = 4096
"""Positions and lengths of direct reads: a multiple of every card's sector size (open(2))."""
_LIBC = ctypes.CDLL(None, use_errno=True)
_SYS_IOPRIO_SET = {"x86_64": 251, "aarch64": 30, "riscv64": 30, "armv7l": 314, "armv6l": 314}
_IOPRIO_WHO_PROCESS, _IOPRIO_IDLE = 1, 3 << 13
"""ioprio_set(2): class 3 is served when nobody else wants the disk."""


def give_way() -> None:
    """Let every other process go first, at the processor and at the disk, as far as we may."""
    with suppress(OSError):
        os.nice(19)
    number = _SYS_IOPRIO_SET.get(os.uname().machine)
    if number is not None:
        _LIBC.syscall(number, _IOPRIO_WHO_PROCESS, 0, _IOPRIO_IDLE)


def hash_past_memory(handle: int, size: int) -> bytes:
    """Return the SHA-256 of the first size bytes of a file as its medium has them now.

    What nobody has mapped is dropped from memory first; then the file is read directly, which
    also goes past pages that are mapped, such as those of a running program. File systems that
    cannot read directly are read as usual. A file that shrinks meanwhile gives a digest of
    something else, or EOFError.

    Raises:
        OSError: EIO for what the medium does not give back.
    """
    os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    flags = fcntl.fcntl(handle, fcntl.F_GETFL)
    try:
        fcntl.fcntl(handle, fcntl.F_SETFL, flags | os.O_DIRECT)
        return _hash_directly(handle, size)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
    finally:
        fcntl.fcntl(handle, fcntl.F_SETFL, flags)
    return files.hash_open_file(handle, size)


def _hash_directly(handle: int, size: int) -> bytes:
    total = hashlib.sha256()
    position = 0
    with mmap.mmap(-1, files.CHUNK) as buffer, memoryview(buffer) as view:
        for start, end in files.data_ranges(handle, size):
            first = max(position, start - start % ALIGNMENT)
            files.hash_zeroes(total, first - position)
            position = first
            while position < end:
                wanted = min(files.CHUNK, -(-(end - position) // ALIGNMENT) * ALIGNMENT)
                got = os.preadv(handle, [view[:wanted]], position)
                if not got:
                    raise EOFError(f"file ended at byte {position} of {size}")
                used = min(got, size - position)
                total.update(view[:used])
                position += used
    files.hash_zeroes(total, size - position)
    return total.digest()
