"""The kernel's trace of real loop disks: what it tells, and that it tells when it cannot."""

from __future__ import annotations

import mmap
import os
import subprocess
import sys
import threading
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import block_trace, followed_files, mounts, traced_disk
from holdstill.board.block_trace import EVENT, PREFIX, BlockTrace
from holdstill.board.followed_files import How, Way
from holdstill.board.traced_disk import Disk, NoTrace, Untraced
from holdstill.model.paths import BoardPath
from holdstill.system import tracefs
from holdstill.system.clocks import SystemClock
from support import loop, programs, traced_until_killed

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

MIB = 1 << 20
SIZE = 64 * MIB
SMALLEST_KIB = 8


@pytest.fixture
def device(tmp_path: Path) -> Iterator[Path]:
    with loop.attached(loop.blank_image(tmp_path / "image", size=SIZE)) as disk:
        yield disk.device


def disk_of(device: Path) -> Disk:
    return traced_disk.place_of(device.stat().st_rdev).disk


@contextmanager
def traced(device: Path, kib: int = block_trace.BUFFER_KIB) -> Iterator[BlockTrace]:
    with block_trace.started([disk_of(device)], SystemClock(), buffer_kib=kib) as trace:
        assert isinstance(trace, BlockTrace), trace
        yield trace


def write_blocks(device: Path, first: int, count: int = 1, step: int = 1) -> None:
    """Write blocks of 4 KiB past the page cache, one request each."""
    handle = os.open(device, os.O_WRONLY | os.O_DIRECT)
    with mmap.mmap(-1, 4096) as block:
        for n in range(count):
            os.pwritev(handle, [block], (first + n * step) * 4096)
    os.close(handle)


def told(trace: BlockTrace, device: Path) -> list[tuple[int, int]]:
    answer = trace.written()
    assert isinstance(answer, dict), answer
    return list(answer[disk_of(device)].within(0, SIZE))


def instances() -> set[str]:
    """Return the names of our trace instances, by a tracefs of our own."""
    with tracefs.opened() as top:
        at = os.open("instances", os.O_RDONLY | os.O_DIRECTORY, dir_fd=top)
        with os.scandir(at) as found:
            names = {entry.name for entry in found if entry.name.startswith(PREFIX)}
        os.close(at)
    return names


def online_cpus() -> Iterator[int]:
    """Yield the numbers of the CPUs; the list is that of Documentation/admin-guide/cputopology."""
    for part in Path("/sys/devices/system/cpu/online").read_text(encoding="ascii").split(","):
        first, _, last = part.strip().partition("-")
        yield from range(int(first), int(last or first) + 1)


def meddle(name: str, text: str) -> None:
    """Write to a file of our only instance, as somebody else might."""
    (mine,) = instances()
    with tracefs.opened() as top:
        tracefs.write(top, f"instances/{mine}/{name}", text)


def test_what_is_written_is_told_and_what_is_read_is_not(device: Path) -> None:
    with traced(device) as trace:
        write_blocks(device, 10)
        write_blocks(device, 100, count=3)
        os.close(os.open(device, os.O_RDONLY))
        assert told(trace, device) == [(40960, 45056), (409600, 421888)]

        # The last moments are told once more, and then no longer.
        assert told(trace, device) == [(40960, 45056), (409600, 421888)]
        SystemClock().sleep(block_trace.GRACE * 1.1)
        trace.written()
        assert told(trace, device) == []


def test_a_discard_is_told(device: Path) -> None:
    with traced(device) as trace:
        programs.run("blkdiscard", "--offset", str(MIB), "--length", str(2 * MIB), device)

        assert told(trace, device) == [(MIB, 3 * MIB)]


def test_a_partition_is_told_by_its_place_on_the_disk(tmp_path: Path) -> None:
    table = "label: dos\nstart=2048, type=83\n"
    image = loop.partitioned_image(tmp_path / "image", size=SIZE, script=table)
    with loop.attached(image) as disk:
        place = traced_disk.place_of(disk.partition(1).stat().st_rdev)
        with traced(disk.device) as trace:
            write_blocks(disk.partition(1), 5)

            assert place == (disk_of(disk.device), 2048 * 512)
            assert told(trace, disk.device) == [(MIB + 5 * 4096, MIB + 6 * 4096)]


def test_two_disks_are_told_apart(device: Path, tmp_path: Path) -> None:
    with loop.attached(loop.blank_image(tmp_path / "other", size=SIZE)) as other:
        disks = [disk_of(device), disk_of(other.device)]
        with block_trace.started(disks, SystemClock()) as trace:
            assert isinstance(trace, BlockTrace), trace
            write_blocks(device, 1)
            write_blocks(other.device, 2)

            assert told(trace, device) == [(4096, 8192)]
            # The second look tells the last moments once more.
            assert told(trace, other.device) == [(8192, 12288)]


@pytest.mark.parametrize("looks_before", [0, 1, 3])
def test_lost_events_are_noticed_in_every_phase_and_the_next_look_is_good(
    device: Path, looks_before: int
) -> None:
    with traced(device, SMALLEST_KIB) as trace:
        for _ in range(looks_before):
            assert told(trace, device) is not None
        write_blocks(device, 0, count=3000, step=2)

        lost = trace.written()
        SystemClock().sleep(block_trace.GRACE * 1.1)
        write_blocks(device, 77)

        assert isinstance(lost, Untraced)
        assert lost.why is NoTrace.LOST
        assert isinstance(trace.written(), dict)


def wait_until_drained() -> None:
    """Wait until the trace's thread has emptied our only instance's buffers.

    Raises:
        AssertionError: nobody empties them.
    """
    (mine,) = instances()
    with tracefs.opened() as top:
        for _ in range(2000):
            if all(buffer_is_empty(top, mine, n) for n in online_cpus()):
                return
            SystemClock().sleep(0.01)
    raise AssertionError(f"nobody drains {mine}")


def buffer_is_empty(top: int, instance: str, cpu: int) -> bool:
    stats = tracefs.read(top, f"instances/{instance}/per_cpu/cpu{cpu}/stats")
    return stats.startswith("entries: 0\n")


def test_a_thread_drains_the_buffers_where_nobody_looks(device: Path) -> None:
    """Many times as much as the buffers hold, but never more at once than they do."""
    burst = 100
    with traced(device, SMALLEST_KIB) as trace:
        for first in range(0, 5000, burst):
            write_blocks(device, 2 * first, count=burst, step=2)
            wait_until_drained()
        answer = trace.written()
    assert isinstance(answer, dict), answer
    assert sum(b - a for a, b in answer[disk_of(device)].within(0, SIZE)) == 5000 * 4096


def test_at_rest_a_buffer_that_fills_wakes_the_thread_and_nothing_is_lost(device: Path) -> None:
    """Three times as much as a buffer holds, and it is drained only when a part of it is full."""
    burst, undrained = 200, 260  # the buffer holds some 450, and wakes at a quarter
    with traced(device, 4 * SMALLEST_KIB) as trace:
        trace.rest()
        for number in range(1, 8):
            write_blocks(device, 0, count=burst, step=4)
            wait_until_drained_to(trace, device, number * burst - undrained)

        assert told(trace, device)[:2] == [(0, 4096), (4 * 4096, 5 * 4096)]
        assert drained(trace, device) == 7 * burst
        trace.wake()
        write_blocks(device, 1)
        assert told(trace, device)[0][1] >= 8192


def drained(trace: BlockTrace, device: Path) -> int:
    """Return how many blocks of 4 KiB the trace has told of so far."""
    return trace._traced[disk_of(device)] // 8


def wait_until_drained_to(trace: BlockTrace, device: Path, blocks: int) -> None:
    deadline = time.monotonic() + block_trace.REST / 2  # so it was no drain by the clock
    while drained(trace, device) < blocks:
        assert time.monotonic() < deadline
        time.sleep(0.01)


@pytest.mark.parametrize("switch", ["tracing_on", f"{EVENT}/enable"])
def test_a_switched_off_trace_is_noticed(device: Path, switch: str) -> None:
    with traced(device) as trace:
        meddle(switch, "0")

        answer = trace.written()

        assert isinstance(answer, Untraced)
        assert answer.why is NoTrace.SWITCHED_OFF


@pytest.mark.parametrize("switch", ["tracing_on", f"{EVENT}/enable"])
def test_what_was_written_while_the_trace_was_off_is_missed_by_the_count(
    device: Path, switch: str
) -> None:
    with traced(device) as trace:
        meddle(switch, "0")
        write_blocks(device, 3)
        meddle(switch, "1")
        answer = trace.written()
        write_blocks(device, 9)

        assert isinstance(answer, Untraced)
        assert answer == (NoTrace.UNCOUNTED, "8 sectors")
        assert told(trace, device) == [(9 * 4096, 10 * 4096)]


@pytest.mark.slow  # on a busy machine the buffers overrun as well, which is a loss, too
def test_a_loss_under_load_is_told_once(device: Path) -> None:
    """While looks are taken more is written, of which some is traced and not yet counted."""
    with traced(device) as trace:
        for _ in range(10):
            writer = threading.Thread(target=write_blocks, args=(device, 0, 4000, 2))
            writer.start()
            meddle("tracing_on", "0")
            write_blocks(device, 9000)
            meddle("tracing_on", "1")
            assert isinstance(trace.written(), Untraced)
            writer.join()

            assert isinstance(trace.written(), dict)


@contextmanager
def uncounted(device: Path) -> Iterator[None]:
    switch = traced_disk.place_of(device.stat().st_rdev).disk.directory() / "queue/iostats"
    switch.write_text("0", encoding="ascii")
    try:
        yield
    finally:
        switch.write_text("1", encoding="ascii")


def test_a_disk_that_does_not_count_is_refused(device: Path) -> None:
    with (
        uncounted(device),
        block_trace.started([disk_of(device)], SystemClock()) as trace,
    ):
        assert isinstance(trace, Untraced)
        assert trace.why is NoTrace.NO_COUNT
        assert not instances()


def test_a_disk_that_stops_counting_is_noticed(device: Path) -> None:
    with traced(device) as trace, uncounted(device):
        answer = trace.written()

        assert isinstance(answer, Untraced)
        assert answer.why is NoTrace.NO_COUNT


@pytest.mark.skipif(
    "device-mapper" not in Path("/proc/misc").read_text(encoding="ascii"),
    reason="this kernel has no device mapper",
)
def test_a_mapped_device_is_refused(device: Path) -> None:
    name = f"traced-{os.getpid()}"
    programs.run("dmsetup", "create", name, "--table", f"0 {SIZE // 512} linear {device} 0")
    try:
        mapped = device.with_name("mapper") / name
        with block_trace.started([disk_of(mapped)], SystemClock()) as trace:
            assert isinstance(trace, Untraced)
            assert trace.why is NoTrace.STACKED
    finally:
        programs.run("dmsetup", "remove", name)


@contextmanager
def another_run(device: Path) -> Iterator[Callable[[], None]]:
    """Have another process trace; yield what kills it."""
    disk = disk_of(device)
    words = [sys.executable, traced_until_killed.__file__, str(disk.major), str(disk.minor)]
    with subprocess.Popen(words, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"BlockTrace\n"

        def kill() -> None:
            process.kill()
            process.wait()

        try:
            yield kill
        finally:
            kill()


def test_the_instance_of_a_killed_run_is_collected_and_that_of_a_living_one_is_not(
    device: Path,
) -> None:
    with another_run(device) as kill:
        theirs = instances()
        with traced(device):
            assert len(instances()) == 2
        assert instances() == theirs
        kill()
        assert instances() == theirs

        with traced(device):
            assert len(instances()) == 1
            assert not instances() & theirs
    assert not instances()


def test_a_disk_that_cannot_be_traced_leaves_the_trace_of_the_others(
    device: Path, tmp_path: Path
) -> None:
    """As a card beside a disk that is encrypted (dm), which no trace sees through."""
    with ExitStack() as undo:
        blank = loop.blank_image(tmp_path / "other image", size=SIZE)
        other = undo.enter_context(loop.attached(blank)).device
        counting = disk_of(other).directory() / "queue/iostats"
        counting.write_text("0")
        undo.callback(counting.write_text, "1")
        found = {}
        for number, one in enumerate((device, other)):
            programs.run("mkfs.ext4", "-q", one)
            at = undo.enter_context(loop.mounted(one, tmp_path / f"part {number}"))
            mount = mounts.mount_of(BoardPath(os.fsencode(at)), mounts.read_mounts())
            assert mount is not None
            found[number] = mount

        opened = followed_files.opened(found, tmp_path, SystemClock())
        parts = undo.enter_context(opened).parts

        assert parts[0].way == Way(How.TRACED)
        assert parts[1].way == Way(How.WHOLE, str(Untraced(NoTrace.NO_COUNT, other.name)))
