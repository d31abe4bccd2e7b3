"""What the kernel says was written to disks: the block trace.

A trace instance of our own, so that nobody else's tracing is in its way, listens to the event
block:block_rq_complete. Its device is the whole disk and its sector absolute, for partitions too.
It comes before whoever waits for the request is woken, so that after a freeze, or syncfs, all is
there; and it comes as well for a write that was under way when the trace began
(blk_update_request in block/blk-mq.c).

Two counts tell that something is missing: the ring buffers' own of what they dropped, and the
disk's of the sectors that it wrote.
"""

from __future__ import annotations

import errno
import fcntl
import os
import secrets
import select
import threading
from array import array
from collections import deque
from contextlib import ExitStack, contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.board import traced_disk
from holdstill.board.trace_pages import PageLayout, Request, parse_layout, parse_page
from holdstill.board.traced_disk import Disk, NoTrace, Untraced
from holdstill.board.written_blocks import WrittenBlocks
from holdstill.system import clocks, tracefs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.system.clocks import Clock

EVENT = "events/block/block_rq_complete"
PREFIX = "holdstill-"
BUFFER_KIB = 256
"""Of each CPU: stands 64,000 writes/s, and a card does a few thousand."""
EVERY = 0.05
"""Seconds from one draining of the buffers to the next; at rest, the fewest of them."""
WAKE_PERCENT = 25
"""Share of a CPU's buffer that, at rest, wakes who drains it."""
REST = 10.0
"""Seconds after which the buffers are drained at rest, however little is in them."""
GRACE = 0.1
"""Seconds for which a write is told once more by the next look.

A write past the page cache (O_DIRECT) is complete here a moment before the kernel throws out the
cached page that it made stale; whoever reads in that moment reads the old, and no event follows.
Who waits for his write may not come to it for long (443 ms seen), so he is waited for, with
`files.wait_for_writers`. That cannot be done for asynchronous writes, after which a thread of the
kernel does it at once: 0.03 ms at most in tests/bench/results/pause-stale.md.
"""
_LOST = ("overrun", "commit overrun", "dropped events")
"""Of per_cpu/cpuN/stats."""
_TEXT_MOST = 4096
_TRIES = 10
"""To read a disk's count and to drain while nothing is written in between."""
_REMOVALS, _REMOVAL_PAUSE = 20, 0.05


class BlockTrace:
    """A running trace of some disks; `started` makes one.

    Everything is opened at the beginning: a look only reads, so it may be taken in the pause.

    Args:
        instance: an open trace instance, set up and switched on.
        disks: each with its size in bytes.
    """

    def __init__(
        self,
        instance: int,
        layout: PageLayout,
        disks: Mapping[Disk, int],
        clock: Clock,
        opened: ExitStack,
        sysfs: Path,
    ) -> None:
        self._layout, self._clock = layout, clock
        self._disks = {disk.in_kernel: disk for disk in disks}
        self._sizes = dict(disks)
        cpus = _cpus(instance)

        def held(name: str | Path, flags: int = os.O_RDONLY) -> int:
            handle = os.open(name, flags | os.O_CLOEXEC, dir_fd=instance)
            opened.callback(os.close, handle)
            return handle

        self._pipes = [held(f"{cpu}/trace_pipe_raw", os.O_RDONLY | os.O_NONBLOCK) for cpu in cpus]
        self._stats = [held(f"{cpu}/stats") for cpu in cpus]
        self._switches = [held("tracing_on"), held(f"{EVENT}/enable")]
        of = {disk: disk.directory(sysfs) for disk in disks}
        self._counts = {disk: held(path / "stat") for disk, path in of.items()}
        self._iostats = {disk: held(path / "queue/iostats") for disk, path in of.items()}
        self._page = _page_size(instance)
        self._lock = threading.Lock()
        self._stop, self._is_resting = threading.Event(), False
        self._bell = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        opened.callback(os.close, self._bell)
        self._thread: threading.Thread | None = None
        self._spent = 0.0
        self._trouble: OSError | ValueError | None = None
        self._missed = False
        self._dropped = self._dropped_now()
        self._traced = dict.fromkeys(disks, 0)
        self._written = self._none_written()
        self._recent: deque[tuple[float, array[int]]] = deque()
        self._counted = {disk: self._counted_only(disk) for disk in disks}

    @property
    def disks(self) -> frozenset[Disk]:
        """The disks that it tells of."""
        return frozenset(self._sizes)

    @property
    def cpu_seconds(self) -> float:
        """What draining it in a thread has taken of the processor so far."""
        return self._spent

    @property
    def memory(self) -> int:
        """Bytes that it takes in memory: the kernel's buffers, and which blocks were written."""
        buffers = len(self._pipes) * BUFFER_KIB << 10
        return buffers + sum(written.memory for written in self._written.values())

    def rest(self) -> None:
        """Drain as seldom as can be, for the time in which nobody looks for long."""
        self._is_resting = True

    def wake(self) -> None:
        """Drain often again: what was drained just before a look is told once more."""
        self._is_resting = False
        os.eventfd_write(self._bell, 1)

    def written(self) -> dict[Disk, WrittenBlocks] | Untraced:
        """Return what was written since the last look, and in the moments before it once more.

        A look that cannot tell says so, and the next one begins anew: after `Untraced`,
        anything may have been written up to now.
        """
        with self._lock:
            counted = {disk: self._counted_only(disk) for disk in self._sizes}
            told, self._written = self._written, self._none_written()
            self._tell_again()
            return self._trouble_now(counted) or told

    def _trouble_now(self, counted: Mapping[Disk, int]) -> Untraced | None:
        """Return what makes this look worthless, and forget it for the next one."""
        found = [
            *self._unreadable(),
            *self._switched_off(),
            *self._lost(),
            *(trouble for disk in self._sizes for trouble in self._uncounted(disk, counted[disk])),
        ]
        return found[0] if found else None

    def _unreadable(self) -> Iterator[Untraced]:
        trouble, self._trouble = self._trouble, None
        if trouble is not None:
            yield Untraced(NoTrace.UNREADABLE, str(trouble))

    def _switched_off(self) -> Iterator[Untraced]:
        if any(not _text(handle).startswith("1") for handle in self._switches):
            yield Untraced(NoTrace.SWITCHED_OFF)

    def _lost(self) -> Iterator[Untraced]:
        now, missed, self._missed = self._dropped_now(), self._missed, False
        before, self._dropped = self._dropped, now
        if missed or now != before:
            yield Untraced(NoTrace.LOST, f"{now - before} of them")

    def _uncounted(self, disk: Disk, now: int) -> Iterator[Untraced]:
        if _text(self._iostats[disk]).strip() == "0":
            yield Untraced(NoTrace.NO_COUNT)
        missing = now - self._counted[disk]
        if missing > 0 or self._count(disk) < self._counted[disk]:
            self._counted[disk] = now
            yield Untraced(NoTrace.UNCOUNTED, f"{missing} sectors")

    def _counted_only(self, disk: Disk) -> int:
        """Drain the buffers; return the sectors that a disk has counted and that were not traced.

        Those from before the trace began, and since then what was lost. The kernel traces first
        and counts then. So a count from before a draining, less all that is traced after it, is
        never too much. It is too little by what is written in between: the best of some tries.
        """
        found = []
        for _ in range(_TRIES):
            before, count = self._traced[disk], self._count(disk)
            self._take_in()
            found.append(count - self._traced[disk])
            if self._traced[disk] == before:
                break
        return max(found)

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Have nobody but the caller's looks drain the buffers in this block.

        For the frozen section, where no thread of ours may hold the lock. Looks have to be
        frequent enough: BUFFER_KIB says what they stand.
        """
        self._end_draining()
        try:
            yield
        finally:
            self._begin_draining()

    def _begin_draining(self) -> None:
        self._stop.clear()
        self._thread = threading.Thread(
            target=self._keep_draining, name="block trace", daemon=True
        )
        self._thread.start()

    def _end_draining(self) -> None:
        if self._thread is not None:
            self._stop.set()
            os.eventfd_write(self._bell, 1)
            self._thread.join()
            self._thread = None

    @contextmanager
    def draining(self) -> Iterator[None]:
        """Drain the buffers in a thread for the length of the block."""
        self._begin_draining()
        try:
            yield
        finally:
            self._end_draining()

    def _keep_draining(self) -> None:
        before = self._spent
        poller = select.poll()
        for handle in (*self._pipes, self._bell):
            poller.register(handle, select.POLLIN)
        while not self._stop.wait(EVERY):
            if self._is_resting:
                poller.poll(REST * 1000)
            with suppress(BlockingIOError):
                os.eventfd_read(self._bell)
            self._drain()
            self._spent = before + clocks.thread_seconds()

    def _drain(self) -> None:
        with self._lock:
            self._take_in()

    def _take_in(self) -> None:
        """Take in what the buffers hold; the lock is held."""
        requests = [request for page in self._pages() for request in self._parsed(page)]
        now = self._clock.monotonic()
        if requests:
            flat = array("Q", (word for request in requests for word in request))
            self._recent.append((now, flat))
            self._mark(flat)
        self._forget(now)

    def _pages(self) -> Iterator[bytes]:
        """Yield what the buffers hold now, page by page."""
        for pipe in self._pipes:
            try:
                while page := os.read(pipe, self._page):
                    yield page
            except BlockingIOError:
                pass
            except OSError as error:
                self._trouble = error

    def _parsed(self, page: bytes) -> Sequence[Request]:
        try:
            parsed = parse_page(page, self._layout)
        except ValueError as error:
            self._trouble = error
            return ()
        self._missed |= parsed.missed
        for request in parsed.requests:
            if disk := self._disks.get(request.device):
                self._traced[disk] += request.sectors
        return parsed.requests

    def _mark(self, flat: array[int]) -> None:
        words = iter(flat)
        for device, sector, count in zip(words, words, words, strict=True):
            if disk := self._disks.get(device):
                self._written[disk].add(sector, count)

    def _tell_again(self) -> None:
        self._forget(self._clock.monotonic())
        for _, flat in self._recent:
            self._mark(flat)

    def _forget(self, now: float) -> None:
        while self._recent and self._recent[0][0] < now - GRACE:
            self._recent.popleft()

    def _none_written(self) -> dict[Disk, WrittenBlocks]:
        return {disk: WrittenBlocks(size) for disk, size in self._sizes.items()}

    def _dropped_now(self) -> int:
        return sum(parse_dropped(_text(handle)) for handle in self._stats)

    def _count(self, disk: Disk) -> int:
        return traced_disk.parse_changed_sectors(_text(self._counts[disk]).encode())


def parse_dropped(stats: str) -> int:
    """Return how many events a CPU's `stats` says were not kept."""
    rows = (line.partition(":") for line in stats.splitlines())
    return sum(int(value) for key, _, value in rows if key in _LOST)


def _text(handle: int) -> str:
    """Read a short kernel file again, from its beginning."""
    return os.pread(handle, _TEXT_MOST, 0).decode()


def _cpus(instance: int) -> list[str]:
    handle = os.open("per_cpu", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=instance)
    try:
        return [f"per_cpu/{name}" for name in sorted(_names(handle))]
    finally:
        os.close(handle)


def _names(directory: int) -> list[str]:
    with os.scandir(directory) as found:
        return [entry.name for entry in found]


def _page_size(instance: int) -> int:
    """Return the bytes of a page of the ring buffer; it can be chosen from Linux 6.8 on."""
    try:
        return int(tracefs.read(instance, "buffer_subbuf_size_kb")) << 10
    except FileNotFoundError:
        return os.sysconf("SC_PAGESIZE")


@contextmanager
def started(
    disks: Sequence[Disk],
    clock: Clock,
    *,
    buffer_kib: int = BUFFER_KIB,
    sysfs: Path = traced_disk.SYSFS,
    opened: Callable[[], AbstractContextManager[int]] = tracefs.opened,
) -> Iterator[BlockTrace | Untraced]:
    """Trace what is written to disks for the length of the block, or say why not."""
    with ExitStack() as stack:
        yield _start(stack, disks, clock, buffer_kib, sysfs, opened)


def _start(
    stack: ExitStack,
    disks: Sequence[Disk],
    clock: Clock,
    buffer_kib: int,
    sysfs: Path,
    opened: Callable[[], AbstractContextManager[int]],
) -> BlockTrace | Untraced:
    try:
        for disk in disks:
            if refusal := traced_disk.why_untraceable(disk, sysfs):
                return refusal
        top = stack.enter_context(opened())
        instance = stack.enter_context(_own_instance(top, clock))
        layout = _set_up(top, instance, disks, buffer_kib)
        sizes = {disk: traced_disk.size_of(disk, sysfs) for disk in disks}
        trace = BlockTrace(instance, layout, sizes, clock, stack, sysfs)
    except _NoEventError as error:
        return Untraced(NoTrace.NO_EVENT, str(error))
    except OSError as error:
        return Untraced(_REFUSALS.get(error.errno or 0, NoTrace.UNREADABLE), str(error))
    stack.enter_context(trace.draining())
    return trace


_REFUSALS = {
    errno.EPERM: NoTrace.REFUSED,
    errno.EACCES: NoTrace.REFUSED,
    errno.ENODEV: NoTrace.NO_TRACEFS,
    errno.ENOSYS: NoTrace.NO_TRACEFS,
}


class _NoEventError(Exception):
    """The kernel has no such event, or one of another shape."""


def _set_up(top: int, instance: int, disks: Sequence[Disk], buffer_kib: int) -> PageLayout:
    """Set an instance's buffers, its filter and its event; return how to read what comes."""
    tracefs.write(instance, "buffer_size_kb", str(buffer_kib))
    # The oldest events stay and the newest are dropped and counted, so that what is read is whole.
    tracefs.write(instance, "options/overwrite", "0")
    with suppress(FileNotFoundError):  # before Linux 5.0 whoever waits is woken by every event
        tracefs.write(instance, "buffer_percent", str(WAKE_PERCENT))
    try:
        layout = parse_layout(
            tracefs.read(top, "events/header_page"), tracefs.read(instance, f"{EVENT}/format")
        )
        tracefs.write(instance, f"{EVENT}/filter", kernel_filter(disks))
        tracefs.write(instance, f"{EVENT}/enable", "1")
    except (FileNotFoundError, ValueError) as error:
        raise _NoEventError(str(error)) from error
    tracefs.write(instance, "tracing_on", "1")
    return layout


def kernel_filter(disks: Sequence[Disk]) -> str:
    """Return the event filter for all that is no read: W, D(iscard), N (write zeroes), ..."""
    ours = " || ".join(f"dev == {disk.in_kernel}" for disk in disks)
    return f'({ours}) && nr_sector > 0 && !(rwbs ~ "R*")'


@contextmanager
def _own_instance(top: int, clock: Clock) -> Iterator[int]:
    """Make a trace instance, and remove those of runs that are dead; yield its open directory."""
    name = f"{PREFIX}{secrets.token_hex(4)}"
    with _instances(top) as instances:
        for other in _names(instances):
            if other.startswith(PREFIX):
                _collect(instances, other)
        os.mkdir(name, dir_fd=instances)
        handle = _opened_directory(name, instances)
        # As long as we live: this is how a later run knows that it is not left over.
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    try:
        yield handle
    finally:
        os.close(handle)
        with _instances(top) as instances:
            _remove(instances, name, clock)


@contextmanager
def _instances(top: int) -> Iterator[int]:
    """Hold the directory of instances open; no other run makes or collects one meanwhile."""
    handle = _opened_directory("instances", top)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield handle
    finally:
        os.close(handle)


def _opened_directory(name: str, beside: int) -> int:
    return os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=beside)


def _collect(instances: int, name: str) -> None:
    """Remove an instance if the run that made it is dead."""
    handle = _opened_directory(name, instances)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return
    finally:
        os.close(handle)
    with suppress(OSError):  # EBUSY: somebody else looks at it; another run will try again
        os.rmdir(name, dir_fd=instances)


def _remove(instances: int, name: str, clock: Clock) -> None:
    """Remove our instance, which is busy for a moment after its last file was closed."""
    for _ in range(_REMOVALS):
        with suppress(OSError):
            os.rmdir(name, dir_fd=instances)
            return
        clock.sleep(_REMOVAL_PAUSE)
