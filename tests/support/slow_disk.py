"""Asynchronous writes past the page cache that a disk is slow to take.

The disk takes so many bytes a second from the processes of a control group (Linux
Documentation/admin-guide/cgroup-v1/blkio-controller.rst, cgroup-v2.rst).
"""

from __future__ import annotations

import os
import subprocess
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator

SIZE = 1 << 16
"""Bytes that are written, from the beginning of the file, in one asynchronous write."""
CONTENT = b"\x42" * SIZE
SOURCE = r"""
#define _GNU_SOURCE
#include <fcntl.h>
#include <linux/aio_abi.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { SIZE = 1 << 16, BYTE = 0x42 };

int main(int argc, char **argv) {
    void *block;
    aio_context_t context = 0;
    FILE *group = fopen(argv[2], "w");
    int file = open(argv[1], O_WRONLY | O_DIRECT);
    if (!group || fprintf(group, "%d", getpid()) < 0 || fclose(group)) abort();
    if (file < 0 || posix_memalign(&block, 4096, SIZE)) abort();
    if (syscall(SYS_io_setup, 8, &context)) abort();
    memset(block, BYTE, SIZE);
    struct iocb one = {.aio_fildes = file, .aio_lio_opcode = IOCB_CMD_PWRITE,
                       .aio_buf = (uintptr_t)block, .aio_nbytes = SIZE};
    struct iocb *list = &one;
    struct io_event done;
    if (syscall(SYS_io_submit, context, 1, &list) != 1) abort();
    puts("in its middle");
    fflush(stdout);
    if (syscall(SYS_io_getevents, context, 1, 1, &done, NULL) != 1) abort();
    return done.res != SIZE;
}
"""


def compiled(folder: Path) -> Path:
    """Compile the program that writes."""
    source, program = folder / "slow_disk.c", folder / "slow_disk"
    source.write_text(SOURCE, encoding="ascii")
    programs.run("gcc", "-O2", "-o", program, source)
    return program


@contextmanager
def writing(program: Path, file: Path, disk: Path, *, seconds: int) -> Iterator[None]:
    """Have an asynchronous write under way for so many seconds, from the block's beginning."""
    with _slow_group(disk, SIZE // seconds) as group:
        words = (program, file, group / "cgroup.procs")
        with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"in its middle\n"
            yield
            assert process.wait(timeout=60) == 0


@contextmanager
def _slow_group(disk: Path, rate: int) -> Iterator[Path]:
    """Hold a control group whose processes write so many bytes a second to a disk."""
    number = disk.stat().st_rdev
    name = f"{os.major(number)}:{os.minor(number)}"
    first = Path("/sys/fs/cgroup/blkio")
    with ExitStack() as undo:
        if first.is_dir():
            top, setting, text = first, "blkio.throttle.write_bps_device", f"{name} {rate}"
        else:
            top, setting, text = Path("/sys/fs/cgroup"), "io.max", f"{name} wbps={rate}"
            (top / "cgroup.subtree_control").write_text("+io", encoding="ascii")
        group = top / f"slow-disk-{os.getpid()}"
        group.mkdir()
        undo.callback(group.rmdir)
        (group / setting).write_text(text, encoding="ascii")
        yield group
