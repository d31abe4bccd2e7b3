"""Reads files from the medium past the page cache, at the lowest priority."""

from __future__ import annotations

import errno
import fcntl
import mmap
import os
from contextlib import suppress

from holdstill.model import pieces
from holdstill.system import files, libc

ALIGNMENT = 4096
"""Positions and lengths of direct reads: a multiple of every card's sector size (open(2))."""


def lower_priority() -> None:
    """Lower our priority for the processor and the disk below every other process's, if we may."""
    with suppress(OSError):
        os.nice(19)
    with suppress(OSError):
        libc.make_io_idle()


def hash_uncached(handle: int, size: int) -> bytes:
    """Return the digest of a content of size bytes as its medium has them now.

    Pages that no process has mapped are dropped from the cache first; then the file is read with
    O_DIRECT, which also bypasses mapped pages, such as those of a running program. On file
    systems without O_DIRECT it is read through the cache. A file that shrinks meanwhile gives a
    digest of something else, or EOFError.

    Raises:
        OSError: EIO where the medium cannot be read.
    """
    os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    flags = fcntl.fcntl(handle, fcntl.F_GETFL)
    try:
        fcntl.fcntl(handle, fcntl.F_SETFL, flags | os.O_DIRECT)
        total = pieces.ContentHash(size)
        position = 0
        with mmap.mmap(-1, files.CHUNK) as buffer, memoryview(buffer) as view:
            for start, end in files.data_ranges(handle, size):
                first = max(position, start - start % ALIGNMENT)
                total.add_zeroes(first - position)
                position = first
                while position < end:
                    wanted = min(files.CHUNK, -(-(end - position) // ALIGNMENT) * ALIGNMENT)
                    got = os.preadv(handle, [view[:wanted]], position)
                    if not got:
                        raise EOFError(f"file ended at byte {position} of {size}")
                    used = min(got, size - position)
                    total.update(view[:used])
                    position += used
        total.add_zeroes(size - position)
        return total.digest()
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
    finally:
        fcntl.fcntl(handle, fcntl.F_SETFL, flags)
    return files.content_digest(handle, size)
