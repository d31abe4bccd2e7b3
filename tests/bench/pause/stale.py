"""How long a cached page stays stale after the block trace has told of a write past the cache.

    python tests/bench/pause/stale.py [--writes 2000] [--hogs 0 8]

As root. A program writes one block with O_DIRECT over and over, each time after it was read into
the page cache again; a thread of it reads that block through the cache all the time, and notes
when it began the last reading that still found the old content. That is compared with the moment
at which `block_rq_complete` was traced, by the same clock (trace_clock "mono"). Writes wait for
their end, or are asynchronous (Linux AIO), where a kernel worker throws the page out. With hogs,
processes that compute all the time are in the way; the writer is as urgent as they, or nice (19).
The reader just reads, or waits before each reading for those who are writing, as a hot round does
(`files.wait_for_writers`): that must leave none stale but of asynchronous writes.

`holdstill.board.block_trace.GRACE` must be longer than whatever is found here.
"""

from __future__ import annotations

import argparse
import re
import statistics
import subprocess
import sys
import tempfile
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from holdstill.board import block_trace, traced_disk
from holdstill.board.extent_map import FiemapMap
from holdstill.system import tracefs
from support import loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

MIB, BLOCK = 1 << 20, 4096
TABLE = "label: dos\nstart=2048, type=83\n"
PROGRAM = r"""
#define _GNU_SOURCE
#include <fcntl.h>
#include <linux/aio_abi.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <sys/xattr.h>
#include <time.h>
#include <unistd.h>

static int cached, direct, waits;
static volatile long written, seen;
static long writes;
static int64_t *last_stale;

static int64_t now(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return at.tv_sec * 1000000000LL + at.tv_nsec;
}

static void *reader(void *nothing) {
    long found = 0;
    while (seen < writes) {
        int64_t began = now();
        if (waits) fremovexattr(cached, "user.holdstill.none");
        if (pread(cached, &found, sizeof found, 0) != sizeof found) abort();
        if (found < writes) last_stale[found + 1] = began;
        seen = found;
    }
    return nothing;
}

int main(int argc, char **argv) {
    int asynchronous = atoi(argv[2]);
    long *block;
    aio_context_t context = 0;
    pthread_t thread;
    writes = atol(argv[3]);
    waits = atoi(argv[5]);
    last_stale = calloc(writes + 1, sizeof *last_stale);
    cached = open(argv[1], O_RDONLY);
    direct = open(argv[1], O_RDWR | O_DIRECT);
    if (cached < 0 || direct < 0 || posix_memalign((void **)&block, 4096, 4096)) abort();
    if (asynchronous && syscall(SYS_io_setup, 8, &context)) abort();
    memset(block, 0, 4096);
    pthread_create(&thread, NULL, reader, NULL);
    setpriority(PRIO_PROCESS, 0, atoi(argv[4])); /* of this thread alone: NPTL, setpriority(2) */
    for (long number = 1; number <= writes; number++) {
        *block = number;
        if (asynchronous) {
            struct iocb one = {.aio_fildes = direct, .aio_lio_opcode = IOCB_CMD_PWRITE,
                               .aio_buf = (uintptr_t)block, .aio_nbytes = 4096};
            struct iocb *list = &one;
            struct io_event done;
            if (syscall(SYS_io_submit, context, 1, &list) != 1) abort();
            if (syscall(SYS_io_getevents, context, 1, 1, &done, NULL) != 1) abort();
            if (done.res != 4096) abort();
        } else if (pwrite(direct, block, 4096, 0) != 4096) {
            abort();
        }
        while (seen < number) usleep(50);
    }
    pthread_join(thread, NULL);
    for (long number = 1; number <= writes; number++)
        printf("%lld\n", (long long)last_stale[number]);
    return 0;
}
"""
_EVENT = re.compile(r" (\d+)\.(\d{6}): block_rq_complete: ")


@dataclass(frozen=True)
class Stale:
    """Milliseconds from the event to the beginning of the last reading that found the old."""

    writes: str
    waits: bool
    hogs: int
    nice: int
    n: int
    after_the_event: int
    median: float
    most: float


@contextmanager
def hogs(count: int) -> Iterator[None]:
    """Have processes that compute for the length of the block."""
    words = [sys.executable, "-c", "while True: pass"]
    running = [subprocess.Popen(words) for _ in range(count)]
    try:
        yield
    finally:
        for one in running:
            one.kill()
            one.wait()


@contextmanager
def traced(path: Path) -> Iterator[Path]:
    """Trace the completed writes of a file of one block; yields the text of them."""
    status = path.stat()
    place = traced_disk.place_of(status.st_dev)
    with path.open("rb") as file:
        (extent,) = FiemapMap(file.fileno(), place.first_byte).extents(0, BLOCK)
    device = place.disk.major << 20 | place.disk.minor  # MKDEV, linux/kdev_t.h
    sector = (extent.offset + extent.shift) // 512
    only = f'dev == {device} && sector == {sector} && !(rwbs ~ "R*")'
    with tracefs.opened() as top, ExitStack() as undo:
        instance = Path(f"/proc/self/fd/{top}/instances/measuring-stale")
        instance.mkdir()
        undo.callback(instance.rmdir)
        for name, text in (
            ("trace_clock", "mono"),
            ("buffer_size_kb", "8192"),
            (f"{block_trace.EVENT}/filter", only),
            (f"{block_trace.EVENT}/enable", "1"),
        ):
            (instance / name).write_text(text, encoding="ascii")
        yield instance / "trace"


def measure(
    folder: Path, program: Path, kind: str, writes: int, count: int, nice: int, *, waits: bool
) -> Stale:
    """Write, read and compare on a file system of its own."""
    image = loop.partitioned_image(folder / f"{kind}.img", size=400 * MIB, script=TABLE)
    with loop.attached(image) as disk:
        programs.run("mkfs.ext4", "-q", "-F", disk.partition(1))
        with loop.mounted(disk.partition(1), folder / "at", options="noatime") as at:
            path = at / "block"
            path.write_bytes(bytes(BLOCK))
            programs.run("sync")
            with traced(path) as trace, hogs(count):
                words = (
                    program,
                    path,
                    str(int(kind == "asynchronous")),
                    str(writes),
                    str(nice),
                    str(int(waits)),
                )
                told = programs.run(*words, timeout=600).split()
                events = [
                    int(seconds) * 10**9 + int(rest) * 1000
                    for seconds, rest in _EVENT.findall(trace.read_text("ascii"))
                ]
    assert len(events) == writes
    gaps = [(int(began) - event) / 1e6 for began, event in zip(told, events, strict=True)]
    later = [gap for gap in gaps if gap > 0]
    return Stale(
        kind, waits, count, nice, len(gaps), len(later), statistics.median(gaps), max(gaps)
    )


def main() -> None:
    """Measure, and print a table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--writes", type=int, default=2000)
    parser.add_argument("--hogs", type=int, nargs="+", default=[0, 8])
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        source, program = folder / "stale.c", folder / "stale"
        source.write_text(PROGRAM, encoding="ascii")
        programs.run("gcc", "-O2", "-pthread", "-o", program, source)
        found = [
            measure(folder, program, kind, asked.writes, count, nice, waits=waits)
            for count in asked.hogs
            for nice in (0, 19)
            for kind in ("waiting", "asynchronous")
            for waits in (False, True)
        ]
    measured.write_down("pause-stale", found, _page(found))


PAGE = """\
# How long a cached page is stale after the trace has told of a write past the cache

Command: `sudo PYTHONPATH=tests .venv/bin/python {command}`

Machine: {machine}, {processors} processors, Linux {release}; ext4 on a loop device. Milliseconds
from the event to the beginning of the last reading that found the old content; negative: before
it. "Stale then" are those that were so at the event. `GRACE` is {grace:g} ms.

| writes | reader waits | in the way | nice value | n | stale then | median | most |
| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: |
"""


def _page(found: list[Stale]) -> str:
    head = PAGE.format(**measured.machine(), grace=block_trace.GRACE * 1000)
    return head + "".join(
        f"| {one.writes} | {'yes' if one.waits else 'no'} | {one.hogs} | {one.nice} | {one.n} | "
        f"{one.after_the_event} | {one.median:.3f} | {one.most:.3f} |\n"
        for one in found
    )


if __name__ == "__main__":
    main()
