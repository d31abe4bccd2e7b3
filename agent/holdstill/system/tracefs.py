"""The kernel's tracing files (tracefs), without leaving a mount behind.

https://docs.kernel.org/trace/ftrace.html names the files.
"""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import libc

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

MOUNTED_AT = (Path("/sys/kernel/tracing"), Path("/sys/kernel/debug/tracing"))
"""Where systems mount it, in the order to try."""
_READ_MOST = 1 << 16


@contextmanager
def opened(mounted_at: Sequence[Path] = MOUNTED_AT) -> Iterator[int]:
    """Hold the top of tracefs open: through a mount of our own that is nowhere, or a system's.

    Raises:
        OSError: ENODEV: there is none; EPERM: the kernel refuses.
    """
    top = _open_top(mounted_at)
    try:
        yield top
    finally:
        os.close(top)


def _open_top(mounted_at: Sequence[Path]) -> int:
    try:
        return libc.new_mount(b"tracefs")
    except OSError as refused:
        for place in mounted_at:
            with suppress(OSError):
                return open_mounted(place)
        raise refused from None


def open_mounted(place: Path) -> int:
    """Open a directory that is the top of a mounted tracefs; OSError ENODEV if it is not."""
    handle = os.open(place, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    if libc.file_system_type(handle) != libc.TRACEFS_MAGIC:
        os.close(handle)
        raise OSError(errno.ENODEV, "not a tracefs", os.fspath(place))
    return handle


def read(directory: int, name: str) -> str:
    """Return the text of a file below an open directory."""
    handle = os.open(name, os.O_RDONLY | os.O_CLOEXEC, dir_fd=directory)
    try:
        return b"".join(iter(lambda: os.read(handle, _READ_MOST), b"")).decode()
    finally:
        os.close(handle)


def write(directory: int, name: str, text: str) -> None:
    """Give a file below an open directory a value; OSError EINVAL if it takes no such one."""
    handle = os.open(name, os.O_WRONLY | os.O_TRUNC | os.O_CLOEXEC, dir_fd=directory)
    try:
        os.write(handle, text.encode())
    finally:
        os.close(handle)
