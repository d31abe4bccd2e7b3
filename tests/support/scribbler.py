"""A program: change one file in every way that there is, at random, until it is terminated.

argv: PATH SEED PAUSE KIND; PAUSE is the most seconds between two operations, KIND the type of the
file system. Operations that the file system refuses are left out.
"""

from __future__ import annotations

import ctypes
import fcntl
import mmap
import os
import random
import shutil
import signal
import struct
import subprocess
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

BLOCK = 4096
KEEP_SIZE, PUNCH, COLLAPSE, ZERO, INSERT = 0x01, 0x02, 0x08, 0x10, 0x20
"""FALLOC_FL_* of linux/falloc.h."""
FICLONERANGE = 0x4020940D
"""_IOW(0x94, 13, struct file_clone_range), linux/fs.h."""
SMALL, LARGE = 1 << 20, 6 << 20
DEFRAGMENT = {
    "ext4": ["e4defrag"],
    "xfs": ["xfs_fsr"],
    "btrfs": ["btrfs", "filesystem", "defragment", "-t", "1M"],
}
LIBC = ctypes.CDLL(None, use_errno=True)


class Scribbler:
    """Holds the dice."""

    def __init__(self, path: str, seed: int, kind: str) -> None:
        self.path, self.kind = path, kind
        self.dice = random.Random(seed)  # noqa: S311 - dice, no secret
        self.handle = -1

    def step(self) -> None:
        """Do one operation."""
        self.handle = os.open(self.path, os.O_RDWR)
        try:
            with suppress(OSError):
                self.dice.choice(OPERATIONS)(self)
        finally:
            os.close(self.handle)

    @property
    def size(self) -> int:
        return os.fstat(self.handle).st_size

    def blocks(self) -> tuple[int, int]:
        """Draw whole blocks of the file: offset, length."""
        first = self.dice.randrange(max(self.size // BLOCK, 1))
        return first * BLOCK, self.dice.randint(1, 30) * BLOCK

    def data(self) -> bytes:
        return self.dice.randbytes(self.dice.choice((1, 100, 5000, 70_000)))

    def fallocate(self, mode: int, offset: int, length: int) -> None:
        span = ctypes.c_int64(offset), ctypes.c_int64(length)
        if LIBC.fallocate64(self.handle, mode, *span):
            raise OSError(ctypes.get_errno(), "fallocate")

    def pwrite(self) -> None:
        os.pwrite(self.handle, self.data(), self.dice.randrange(max(self.size, 1)))

    def mapped(self) -> None:
        with mmap.mmap(self.handle, 0) as memory:
            for _ in range(self.dice.randint(1, 20)):
                at = self.dice.randrange(len(memory) - 8)
                memory[at : at + 8] = self.dice.randbytes(8)

    def direct(self) -> None:
        offset, length = self.blocks()
        past = os.open(self.path, os.O_RDWR | os.O_DIRECT)
        try:
            with mmap.mmap(-1, length) as memory:
                memory.write(self.dice.randbytes(length))
                os.pwritev(past, [memory], offset)
        finally:
            os.close(past)

    def append(self) -> None:
        if self.size < LARGE:
            os.pwrite(self.handle, self.data(), self.size)

    def truncate(self) -> None:
        by = self.dice.randrange(-200_000, 100_000)
        os.ftruncate(self.handle, min(max(self.size + by, BLOCK), LARGE))

    def fsync(self) -> None:
        os.fsync(self.handle)

    def punch(self) -> None:
        offset, length = self.blocks()
        skew = self.dice.choice((0, 100))
        self.fallocate(PUNCH | KEEP_SIZE, offset + skew, length)

    def preallocate(self) -> None:
        self.fallocate(self.dice.choice((0, KEEP_SIZE)), *self.blocks())

    def zero(self) -> None:
        self.fallocate(ZERO, *self.blocks())

    def collapse(self) -> None:
        if self.size > SMALL:
            self.fallocate(COLLAPSE, *self.blocks())

    def insert(self) -> None:
        if self.size < LARGE:
            self.fallocate(INSERT, *self.blocks())

    def insert_and_collapse(self) -> None:
        span = self.blocks()
        if self.size < LARGE:
            self.fallocate(INSERT, *span)
            time.sleep(self.dice.random() * 0.01)
            self.fallocate(COLLAPSE, *span)

    def copy_range(self) -> None:
        source, target = self.blocks()[0], self.blocks()[0]
        os.copy_file_range(self.handle, self.handle, 5 * BLOCK, source, target)

    def reflink(self) -> None:
        (source, length), target = self.blocks(), self.blocks()[0]
        fcntl.ioctl(
            self.handle, FICLONERANGE, struct.pack("qQQQ", self.handle, source, length, target)
        )

    def rename_over(self) -> None:
        beside = self.path + ".new"
        with open(beside, "wb") as file:  # noqa: PTH123 - the test's paths are words here
            file.write(self.dice.randbytes(self.dice.randrange(SMALL, 2 * SMALL)))
        os.rename(beside, self.path)  # noqa: PTH104 - as above

    def defragment(self) -> None:
        words = DEFRAGMENT[self.kind]
        if shutil.which(words[0]):
            subprocess.run([*words, self.path], capture_output=True, check=False)


OPERATIONS: list[Callable[[Scribbler], None]] = [
    *[Scribbler.pwrite] * 4,
    *[Scribbler.mapped] * 3,
    *[Scribbler.direct] * 2,
    Scribbler.append,
    Scribbler.truncate,
    Scribbler.fsync,
    Scribbler.punch,
    Scribbler.preallocate,
    Scribbler.zero,
    Scribbler.collapse,
    Scribbler.insert,
    Scribbler.insert_and_collapse,
    Scribbler.copy_range,
    Scribbler.reflink,
    Scribbler.rename_over,
    Scribbler.defragment,
]


def main() -> None:
    path, seed, pause, kind = sys.argv[1:]
    stop: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: stop.append(number))
    scribbler = Scribbler(path, int(seed), kind)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    while not stop:
        scribbler.step()
        time.sleep(scribbler.dice.random() * float(pause))


if __name__ == "__main__":
    main()
