"""A program: change one file in every way that there is, at random, until it is terminated.

argv: PATH SEED PAUSE KIND; PAUSE is the most seconds between two operations, KIND the type of the
file system. Operations that the file system refuses are left out. At the end it tells in JSON how
often it did which. It works on a window of the file most of the time, so that one operation meets
what another one did.
"""

from __future__ import annotations

import ctypes
import fcntl
import json
import mmap
import os
import random
import signal
import struct
import subprocess
import sys
import time
from collections import Counter
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

BLOCK = 4096
KEEP_SIZE, PUNCH, COLLAPSE, ZERO, INSERT = 0x01, 0x02, 0x08, 0x10, 0x20
"""FALLOC_FL_* of linux/falloc.h."""
FICLONERANGE = 0x4020940D
"""_IOW(0x94, 13, struct file_clone_range), linux/fs.h."""
FICLONE = 0x40049409
"""_IOW(0x94, 9, int), linux/fs.h."""
MOVE_EXT = 0xC028660F
"""_IOWR('f', 15, struct move_extent), fs/ext4/ext4.h: the blocks of two files change places."""
LEAST, MOST = 16 << 20, 20 << 20
"""Bytes of the file: from which on it is followed, and to which it grows."""
WINDOW = 2 << 20
RARELY = 0.05
"""Of the draws of what ends the following of a file are done."""
DEFRAGMENT = {
    "xfs": ["xfs_fsr"],
    "btrfs": ["btrfs", "filesystem", "defragment", "-t", "1M"],
}
LIBC = ctypes.CDLL(None, use_errno=True)


class Scribbler:
    """Holds the dice."""

    def __init__(self, path: str, seed: int, kind: str) -> None:
        self.path, self.kind = path, kind
        self.dice = random.Random(seed)  # noqa: S311 - dice, no secret
        self.window = self.dice.randrange(LEAST - WINDOW)
        self.handle = -1
        self.held: mmap.mmap | None = None
        self.done: Counter[str] = Counter()

    def step(self) -> None:
        """Do one operation."""
        self.handle = os.open(self.path, os.O_RDWR)
        try:
            with suppress(OSError):
                operation = self.dice.choice(OPERATIONS)
                operation(self)
                self.done[operation.__name__] += 1
        finally:
            os.close(self.handle)

    @staticmethod
    def only(fits: bool) -> None:  # noqa: FBT001 - it is all that it takes
        """Go on only if it fits; else the operation is left out."""
        if not fits:
            raise OSError

    @property
    def size(self) -> int:
        return os.fstat(self.handle).st_size

    def place(self) -> int:
        """Draw an offset."""
        if self.dice.random() < 0.8:
            return self.window + self.dice.randrange(WINDOW)
        return self.dice.randrange(max(self.size, 1))

    def blocks(self) -> tuple[int, int]:
        """Draw whole blocks of the file: offset, length."""
        return self.place() // BLOCK * BLOCK, self.dice.randint(1, 30) * BLOCK

    def data(self) -> bytes:
        return self.dice.randbytes(self.dice.choice((1, 100, 5000, 70_000)))

    def fallocate(self, mode: int, offset: int, length: int) -> None:
        span = ctypes.c_int64(offset), ctypes.c_int64(length)
        if LIBC.fallocate64(self.handle, mode, *span):
            raise OSError(ctypes.get_errno(), "fallocate")

    def pwrite(self) -> None:
        os.pwrite(self.handle, self.data(), self.place())

    def mapped(self) -> None:
        with mmap.mmap(self.handle, 0) as memory:
            for _ in range(self.dice.randint(1, 20)):
                self.store(memory)

    def close(self) -> None:
        """Let go of the file: a mapping keeps its file system busy."""
        if self.held is not None:
            self.held.close()
            self.held = None

    def store(self, memory: mmap.mmap) -> None:
        at = min(self.place(), len(memory) - 8)
        memory[at : at + 8] = self.dice.randbytes(8)

    def store_later(self) -> None:
        """Store through a mapping from before: into a page that is dirty already, or was."""
        # Behind the end of the file it would be a SIGBUS; another file may have come in its place.
        if self.held is None or len(self.held) > self.held.size() or self.dice.random() < 0.1:
            self.held = mmap.mmap(self.handle, 0)
        for _ in range(self.dice.randint(1, 5)):
            self.store(self.held)

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
        self.only(self.size < MOST)
        os.pwrite(self.handle, self.data(), self.size)

    def grow_sparse(self) -> None:
        """Write far behind the end."""
        self.only(self.size < MOST)
        os.pwrite(self.handle, self.data(), self.size + self.dice.randrange(300_000))

    def truncate(self) -> None:
        """Make it shorter or longer; now and then shorter than what is followed."""
        by = self.dice.randrange(-200_000, 100_000)
        least = LEAST if self.dice.random() < 0.99 else LEAST - BLOCK
        os.ftruncate(self.handle, min(max(self.size + by, least), MOST))

    def truncate_and_back(self) -> None:
        """Cut the end off, inside a block, and let zeros come in its place."""
        size = self.size
        os.ftruncate(self.handle, size - self.dice.randrange(1, 100_000))
        os.ftruncate(self.handle, size)

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

    def write_and_discard(self) -> None:
        """Write where no block is, or an unwritten one, and take it back before it is written."""
        offset, length = self.blocks()
        self.fallocate(PUNCH | KEEP_SIZE, offset, length)
        if self.dice.random() < 0.5:
            self.fallocate(0, offset, length)
        os.fsync(self.handle)
        os.pwrite(self.handle, self.dice.randbytes(length // 2), offset + 100)
        time.sleep(self.dice.random() * 0.02)
        self.fallocate(self.dice.choice((PUNCH | KEEP_SIZE, ZERO)), offset, length)

    def collapse(self) -> None:
        self.only(self.size > LEAST + (256 << 10))
        self.fallocate(COLLAPSE, *self.blocks())

    def insert(self) -> None:
        self.only(self.size < MOST)
        self.fallocate(INSERT, *self.blocks())

    def insert_and_collapse(self) -> None:
        span = self.blocks()
        self.only(self.size < MOST)
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

    def lend(self) -> None:
        """Share blocks with another place of the file, write over them, and take them back."""
        (source, length), target = self.blocks(), self.blocks()[0]
        lent = struct.pack("qQQQ", self.handle, source, length, target)
        fcntl.ioctl(self.handle, FICLONERANGE, lent)
        os.pwrite(self.handle, self.dice.randbytes(length), source)
        time.sleep(self.dice.random() * 0.1)
        back = struct.pack("qQQQ", self.handle, target, length, source)
        fcntl.ioctl(self.handle, FICLONERANGE, back)

    def clone(self) -> None:
        """Share all blocks with another file for a moment, so that writes go elsewhere."""
        beside = self.path + ".clone"
        with open(beside, "wb") as file:  # noqa: PTH123 - the test's paths are words here
            try:
                fcntl.ioctl(file.fileno(), FICLONE, self.handle)
                os.pwrite(self.handle, self.data(), self.place())
            finally:
                os.unlink(beside)  # noqa: PTH108 - as above

    def link(self) -> None:
        """Write to it by another name, which it keeps until the next time."""
        beside = self.path + ".link"
        with suppress(FileNotFoundError):
            os.unlink(beside)  # noqa: PTH108 - as above
        os.link(self.path, beside)
        with open(beside, "r+b") as file:  # noqa: PTH123 - as above
            os.pwrite(file.fileno(), self.data(), self.place())

    def rename_over(self) -> None:
        self.only(self.dice.random() < RARELY)
        self.make(self.path + ".new")
        os.rename(self.path + ".new", self.path)  # noqa: PTH104 - as above

    def delete_and_make(self) -> None:
        self.only(self.dice.random() < RARELY)
        os.unlink(self.path)  # noqa: PTH108 - as above
        self.make(self.path)

    def make(self, path: str) -> None:
        with open(path, "wb") as file:  # noqa: PTH123 - as above
            file.write(self.dice.randbytes(LEAST + self.dice.randrange(-BLOCK, BLOCK)))
            if self.dice.random() < 0.5:
                os.fsync(file.fileno())

    def swap(self) -> None:
        """Let blocks change places with those of another file, as a defragmentation does."""
        beside = self.path + ".donor"
        offset, length = self.blocks()
        with open(beside, "w+b") as donor:  # noqa: PTH123 - as above
            os.unlink(beside)  # noqa: PTH108 - as above
            os.posix_fallocate(donor.fileno(), 0, offset + length)
            first, count = offset // BLOCK, length // BLOCK
            asked = struct.pack("IiQQQQ", 0, donor.fileno(), first, first, count, 0)
            fcntl.ioctl(self.handle, MOVE_EXT, asked)

    def defragment(self) -> None:
        words = [*DEFRAGMENT[self.kind], self.path] if self.kind in DEFRAGMENT else []
        if not words or subprocess.run(words, capture_output=True, check=False).returncode:
            raise OSError


OPERATIONS: list[Callable[[Scribbler], None]] = [
    *[Scribbler.pwrite] * 4,
    *[Scribbler.mapped] * 2,
    *[Scribbler.store_later] * 2,
    *[Scribbler.direct] * 2,
    Scribbler.append,
    Scribbler.grow_sparse,
    Scribbler.truncate,
    Scribbler.truncate_and_back,
    Scribbler.fsync,
    Scribbler.punch,
    Scribbler.preallocate,
    Scribbler.zero,
    Scribbler.write_and_discard,
    Scribbler.collapse,
    Scribbler.insert,
    Scribbler.insert_and_collapse,
    Scribbler.copy_range,
    Scribbler.reflink,
    Scribbler.lend,
    Scribbler.clone,
    Scribbler.link,
    Scribbler.rename_over,
    Scribbler.delete_and_make,
    Scribbler.swap,
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
    sys.stdout.write(json.dumps(scribbler.done))


if __name__ == "__main__":
    main()
