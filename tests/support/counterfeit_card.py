"""A disk that keeps only part of what is written to it, and says nothing.

As a program: `python -m support.counterfeit_card FILE SIZE FIRST END` shows FILE, which must
exist, as a file of SIZE bytes that drops what is written to bytes FIRST..END and reads as zeroes
there. It is a FUSE server of one file (Linux include/uapi/linux/fuse.h, protocol 7.31), so a loop
device can be
put on it; neither device-mapper nor a module is needed. It prints "ready", and ends when FILE is
unmounted.
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import stat
import struct
import subprocess
import sys
from contextlib import contextmanager
from enum import IntEnum
from pathlib import Path
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = 1


class Asked(IntEnum):
    """What the kernel asks for (enum fuse_opcode)."""

    FORGET = 2
    GETATTR = 3
    SETATTR = 4
    OPEN = 14
    READ = 15
    WRITE = 16
    STATFS = 17
    RELEASE = 18
    FSYNC = 20
    FLUSH = 25
    INIT = 26
    INTERRUPT = 36
    DESTROY = 38
    BATCH_FORGET = 42


UNANSWERED = frozenset({Asked.FORGET, Asked.BATCH_FORGET, Asked.INTERRUPT})
FOPEN_DIRECT_IO = 1
"""No page cache: what is read is what this disk says."""
MAX_WRITE = 128 << 10
IN_HEADER, OUT_HEADER = struct.Struct("<IIQQIIII"), struct.Struct("<IiQ")
ATTRIBUTES = struct.Struct("<QIIQQQQQQIIIIIIIIII")
INITIAL = struct.Struct("<IIIIHHIIHHI28x")
READ_IN = struct.Struct("<QQIIQII")
MS_NOSUID, MS_NODEV = 2, 4


class Disk:
    """The bytes."""

    def __init__(self, size: int, lost: range) -> None:
        self.size = size
        self._bytes = mmap.mmap(-1, size)
        self._lost = lost

    def read(self, offset: int, count: int) -> bytes:
        """Return what it gives back."""
        return self._bytes[offset : min(offset + count, self.size)]

    def write(self, offset: int, data: bytes) -> None:
        """Keep what it keeps."""
        for start, end in ((offset, self._lost.start), (self._lost.stop, offset + len(data))):
            first, last = max(start, offset), min(end, offset + len(data))
            if first < last:
                self._bytes[first:last] = data[first - offset : last - offset]


class Server:
    """Answers the kernel."""

    def __init__(self, device: int, disk: Disk) -> None:
        self._device, self._disk = device, disk

    def run(self) -> None:
        """Answer until the file is unmounted."""
        while True:
            try:
                message = os.read(self._device, MAX_WRITE + 4096)
            except OSError as error:
                if error.errno == errno.ENODEV:
                    return
                raise
            _, opcode, unique, *_ = IN_HEADER.unpack_from(message)
            if opcode not in UNANSWERED:
                self._answer(opcode, unique, message[IN_HEADER.size :])
            if opcode == Asked.DESTROY:
                return

    def _answer(self, opcode: int, unique: int, body: bytes) -> None:
        said = self._said(opcode, body)
        error, content = (0, said) if said is not None else (-errno.ENOSYS, b"")
        head = OUT_HEADER.pack(OUT_HEADER.size + len(content), error, unique)
        os.write(self._device, head + content)

    def _said(self, opcode: int, body: bytes) -> bytes | None:
        """Return the answer to a request; None for one that is not known."""
        match opcode:
            case Asked.INIT:
                return INITIAL.pack(7, 31, MAX_WRITE, 0, 12, 8, MAX_WRITE, 1, 0, 0, 0)
            case Asked.GETATTR | Asked.SETATTR:
                size = self._disk.size
                return ATTRIBUTES.pack(
                    3600, 0, 0, ROOT, size, size // 512, 0, 0, 0, 0, 0, 0,
                    stat.S_IFREG | 0o600, 1, 0, 0, 0, 4096, 0,
                )  # fmt: skip
            case Asked.OPEN:
                return struct.pack("<QII", 0, FOPEN_DIRECT_IO, 0)
            case Asked.READ:
                _, offset, count, *_ = READ_IN.unpack_from(body)
                return self._disk.read(offset, count)
            case Asked.WRITE:
                _, offset, count, *_ = READ_IN.unpack_from(body)
                self._disk.write(offset, body[READ_IN.size : READ_IN.size + count])
                return struct.pack("<II", count, 0)
            case Asked.STATFS:
                return struct.pack("<QQQQQIIII24x", 1 << 20, 0, 0, 1, 0, 4096, 255, 4096, 0)
            case Asked.RELEASE | Asked.FSYNC | Asked.FLUSH | Asked.DESTROY:
                return b""
            case _:
                return None


def _mounted(path: Path) -> int:
    """Mount a FUSE file system that is one file over a file; return its device."""
    device = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
    options = f"fd={device},rootmode={stat.S_IFREG:o},user_id=0,group_id=0"
    libc = ctypes.CDLL(None, use_errno=True)
    flags = ctypes.c_ulong(MS_NOSUID | MS_NODEV)
    if libc.mount(b"liar", os.fsencode(path), b"fuse", flags, options.encode()) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return device


def main(path: Path, size: int, lost: range) -> None:
    """Serve one file."""
    device = _mounted(path)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    Server(device, Disk(size, lost)).run()


@contextmanager
def disk(path: Path, *, size: int, lost: range) -> Iterator[Path]:
    """Hold a file of this size that loses what is written to a range of bytes."""
    path.touch()
    words = (sys.executable, "-m", "support.counterfeit_card", path, size, lost.start, lost.stop)
    search = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    with subprocess.Popen(
        [str(word) for word in words], stdout=subprocess.PIPE, env=search
    ) as server:
        try:
            assert server.stdout is not None
            assert server.stdout.readline() == b"ready\n"
            yield path
        finally:
            programs.attempt("umount", path)
            server.wait(timeout=20)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), range(int(sys.argv[3]), int(sys.argv[4])))
