"""One write(2) that takes seconds, as on a slow card, and is known to be in its middle.

Its last page comes from memory whose faults a thread answers late (userfaultfd(2)).
"""

from __future__ import annotations

import subprocess
from contextlib import contextmanager
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SIZE = 1 << 20
"""Bytes that are written, from the beginning of the file."""
CONTENT = b"\x42" * SIZE
SOURCE = r"""
#define _GNU_SOURCE
#include <fcntl.h>
#include <linux/userfaultfd.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { SIZE = 1 << 20, PAGE = 4096, BYTE = 0x42 };
static int faults;
static unsigned long last;
static unsigned seconds;

static void *answer_late(void *nothing) {
    static char page[PAGE];
    struct uffd_msg fault;
    struct uffdio_copy copy = {.dst = last, .src = (unsigned long)page, .len = PAGE};
    if (read(faults, &fault, sizeof fault) != sizeof fault) abort();
    puts("in its middle");
    fflush(stdout);
    sleep(seconds);
    memset(page, BYTE, PAGE);
    if (ioctl(faults, UFFDIO_COPY, &copy)) abort();
    return nothing;
}

int main(int argc, char **argv) {
    pthread_t thread;
    struct uffdio_api api = {.api = UFFD_API};
    struct uffdio_register late = {.mode = UFFDIO_REGISTER_MODE_MISSING};
    int file = open(argv[1], O_WRONLY);
    char *content =
        mmap(NULL, SIZE, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
    seconds = atoi(argv[2]);
    memset(content, BYTE, SIZE - PAGE);
    last = (unsigned long)content + SIZE - PAGE;
    late.range.start = last;
    late.range.len = PAGE;
    faults = syscall(SYS_userfaultfd, O_CLOEXEC);
    if (file < 0 || faults < 0 || ioctl(faults, UFFDIO_API, &api)) abort();
    if (ioctl(faults, UFFDIO_REGISTER, &late)) abort();
    pthread_create(&thread, NULL, answer_late, NULL);
    if (pwrite(file, content, SIZE, 0) != SIZE) abort();
    return 0;
}
"""


def compiled(folder: Path) -> Path:
    """Compile the program that writes."""
    source, program = folder / "long_write.c", folder / "long_write"
    source.write_text(SOURCE, encoding="ascii")
    programs.run("gcc", "-O2", "-pthread", "-o", program, source)
    return program


@contextmanager
def writing(program: Path, file: Path, *, seconds: int) -> Iterator[subprocess.Popen[bytes]]:
    """Have a process in the middle of a write for so many seconds, from the block's beginning."""
    words = (program, file, str(seconds))
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"in its middle\n"
        yield process
        assert process.wait(timeout=60) == 0
