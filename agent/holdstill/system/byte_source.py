"""Random access to bytes: a device, an image, or one partition of either."""

from __future__ import annotations

import errno
import mmap
import os
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol, cast

from holdstill.errors import LayoutError, UsageError
from holdstill.system import files, ioctl

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


ALIGNMENT = 4096
"""Alignment in bytes that O_DIRECT needs at most, on any disk (open(2), NOTES)."""
DIRECT_MIN, DIRECT_MAX = 64 << 10, 1 << 20
"""Sizes in bytes of reads that are faster with O_DIRECT; smaller ones gain from readahead."""


class ByteSource(Protocol):
    """Bytes of a known size, read by offset."""

    @property
    def size(self) -> int:
        """Bytes."""

    def read(self, offset: int, length: int) -> bytes:
        """Return length bytes from offset; EOFError when there are fewer."""


class OpenFile:
    """A ByteSource over an open descriptor, which the caller closes."""

    def __init__(self, handle: int, *, start: int = 0, size: int) -> None:
        self.handle = handle
        self.start = start
        self._size = size

    @property
    def size(self) -> int:
        """Bytes."""
        return self._size

    def read(self, offset: int, length: int) -> bytes:
        """Return length bytes from offset; EOFError when there are fewer."""
        if offset < 0 or length < 0 or offset + length > self._size:
            raise EOFError(f"bytes {offset}..{offset + length} are outside {self._size}")
        parts = []
        while length:
            part = os.pread(self.handle, min(length, 1 << 24), self.start + offset)
            if not part:
                raise EOFError(f"no bytes at {self.start + offset}")
            parts.append(part)
            offset, length = offset + len(part), length - len(part)
        return b"".join(parts)

    def window(self, start: int, size: int) -> OpenFile:
        """Return a range of it, such as one partition; offsets count from start."""
        if start < 0 or size < 0 or start + size > self._size:
            raise EOFError(f"bytes {start}..{start + size} are outside {self._size}")
        return OpenFile(self.handle, start=self.start + start, size=size)


class DirectFile:
    """A ByteSource whose large reads bypass the page cache (O_DIRECT).

    They come from the medium, whatever the cache holds, and cost less processor time. Several
    threads may read at once.
    """

    def __init__(self, cached: OpenFile, handle: int) -> None:
        """Read through a second descriptor, which was opened with O_DIRECT."""
        self._cached = cached
        self._handle = handle
        self._own = threading.local()

    @property
    def size(self) -> int:
        """Bytes."""
        return self._cached.size

    def read(self, offset: int, length: int) -> bytes:
        """Return length bytes from offset; EOFError when there are fewer."""
        is_direct = DIRECT_MIN <= length <= DIRECT_MAX and 0 <= offset <= self.size - length
        if not is_direct:
            return self._cached.read(offset, length)
        start = self._cached.start + offset
        skipped = start % ALIGNMENT
        wanted = -(-(skipped + length) // ALIGNMENT) * ALIGNMENT
        # This thread's buffer, which mmap(2) aligns as O_DIRECT needs it.
        if not hasattr(self._own, "buffer"):
            self._own.buffer = memoryview(mmap.mmap(-1, DIRECT_MAX + 2 * ALIGNMENT))
        buffer = cast("memoryview", self._own.buffer)
        try:
            got = os.preadv(self._handle, [buffer[:wanted]], start - skipped)
        except OSError as error:
            if error.errno != errno.EINVAL:
                raise
            got = 0  # this file system needs a larger alignment
        if got < skipped + length:
            return self._cached.read(offset, length)
        return bytes(buffer[skipped : skipped + length])


_COMPRESSED = {
    b"\x28\xb5\x2f\xfd": ("zstd", "zstd -d"),  # RFC 8878, 3.1.1
    b"\xfd7zXZ\x00": ("xz", "xz -dk"),  # The .xz File Format 1.2.1, 2.1.1.1
    b"\x1f\x8b": ("gzip", "gzip -dk"),  # RFC 1952, 2.3.1
}


def check_plain(path: Path) -> None:
    """Refuse a directory, and a compressed image: it cannot be read by offset.

    Raises:
        UsageError: it is one of these; the hint is what to do.
    """
    if path.is_dir():
        raise UsageError(f"{path} is a directory", hint="name a card's device, or an image")
    with files.opened(path) as handle:
        head = os.pread(handle, 8, 0)
    for magic, (name, command) in _COMPRESSED.items():
        if head.startswith(magic):
            raise UsageError(
                f"{path} is compressed ({name})", hint=f"decompress it first: `{command} {path}`"
            )


@contextmanager
def opened(path: Path) -> Iterator[OpenFile]:
    """Hold a file or block device open for reading by offset."""
    with files.opened(path) as handle:
        yield OpenFile(handle, size=size_of(handle))


@contextmanager
def named(path: Path) -> Iterator[None]:
    """Give what cannot be understood of a medium the medium's name."""
    try:
        yield
    except LayoutError as error:
        raise LayoutError(f"{path}: {error}", hint=error.hint) from error


@contextmanager
def uncached(path: Path, window: OpenFile) -> Iterator[ByteSource]:
    """Hold a range of an open file or device whose large reads bypass the page cache."""
    with files.opened_direct(path, os.O_RDONLY) as handle:
        yield window if handle is None else DirectFile(window, handle)


def size_of(handle: int) -> int:
    """Return the bytes of an open file or block device."""
    size = os.fstat(handle).st_size
    return size or os.lseek(handle, 0, os.SEEK_END)


def device_or_file_size(path: Path) -> int:
    """Return the bytes of a file or block device."""
    with files.opened(path) as handle:
        return ioctl.device_size(handle) if path.is_block_device() else os.fstat(handle).st_size
