"""The agent dies, hangs or is told to stop while file systems are frozen: somebody thaws."""

from __future__ import annotations

import colorsys
import importlib
import logging
import os
import resource
import signal
import tempfile
import threading
import time
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import freeze, guard, guard_process, mounts
from holdstill.board.guard_process import Protection
from holdstill.errors import PauseError
from holdstill.system import ioctl, process
from holdstill.system.clocks import SystemClock
from support import held, loop, programs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.guard import HeldMount

STEPS = [
    "armed",
    "synced inner",
    "before freezing inner",
    "after freezing inner",
    "before freezing volume",
    "after freezing volume",
    "inside",
    "before thawing volume",
    "after thawing volume",
    "before thawing inner",
    "after thawing inner",
    "after the pause",
]
CAP_SYS_RESOURCE = 24
"""linux/capability.h."""
TIMES = int(os.environ.get("HOLDSTILL_KILLS", "5"))


@pytest.fixture
def journal() -> Iterator[Path]:
    """Give a directory on a tmpfs."""
    with tempfile.TemporaryDirectory(dir="/dev/shm") as directory:
        yield Path(directory)


@pytest.fixture
def volume(tmp_path: Path) -> Iterator[Path]:
    """Mount a file system, with a second thaw guard of the tests' own."""
    with loop.ext4_volume(tmp_path) as at, loop.thaw_guard(at, seconds=15):
        yield at


@pytest.fixture
def inner(volume: Path, tmp_path: Path) -> Iterator[Path]:
    """Mount a second one inside the first."""
    image = loop.blank_image(tmp_path / "inner.img", size=64 << 20)
    programs.run("mkfs.ext4", "-q", "-F", image)
    with ExitStack() as undo:
        disk = undo.enter_context(loop.attached(image))
        at = undo.enter_context(loop.mounted(disk.device, volume / "inner"))
        undo.enter_context(loop.thaw_guard(at, seconds=15))
        yield at


@pytest.mark.timeout(120)
@pytest.mark.parametrize("step", STEPS)
def test_a_killed_agent_leaves_nothing_frozen_for_a_second(
    step: str, volume: Path, inner: Path, journal: Path
) -> None:
    waits = []
    for _ in range(TIMES):
        with held.holder(step, journal, volume, inner) as holder:
            died = holder.died_at()
            done = max(held.write_moment(inner / "on"), held.write_moment(volume / "on"))
            waits.append(done - died)

    assert max(waits) < 1, waits
    assert not held.is_frozen(volume)
    assert not held.is_frozen(inner)


def test_the_marks_of_a_killed_agent_say_that_nothing_is_left(volume: Path, journal: Path) -> None:
    with held.holder("inside", journal, volume) as holder:
        holder.died_at()
    held.write_moment(volume / "on")
    everything = mounts.read_mounts()

    thawed = freeze.thaw_left_over(journal / guard.MARKS, everything)

    assert thawed == ()
    assert list(journal.iterdir()) == []


def test_c6_stale_lock_a_killed_guard_and_agent_leave_it_to_the_ladder(
    volume: Path, journal: Path
) -> None:
    with held.holder("hang", journal, volume) as holder:
        assert holder.say() == "holding"
        for pid in holder.guards():
            os.kill(pid, signal.SIGKILL)
        holder.process.kill()
        holder.process.wait(timeout=10)
        was_frozen = held.is_frozen(volume)

        thawed = freeze.thaw_left_over(journal / guard.MARKS, mounts.read_mounts())

    assert was_frozen
    assert thawed == (str(volume),)
    assert not held.is_frozen(volume)
    assert freeze.thaw_left_over(journal / guard.MARKS, mounts.read_mounts()) == ()


def test_the_ladder_leaves_alone_what_somebody_else_froze_since(
    volume: Path, journal: Path
) -> None:
    with held.holder("inside", journal, volume) as holder:
        holder.died_at()
    held.write_moment(volume / "on")  # the guard has thawed
    with held.holding(volume) as (mount,):
        ioctl.freeze(mount.handle)

        thawed = freeze.thaw_left_over(journal / guard.MARKS, mounts.read_mounts())

        assert thawed == ()
        assert held.is_frozen(volume)


def signal_guard_and_write(number: signal.Signals, volume: Path) -> None:
    os.kill(child_of_ours(), number)
    held.write_moment(volume / "on")  # waits for the thaw


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_signal_to_the_guard_makes_it_thaw_and_the_agent_know(
    number: signal.Signals, volume: Path
) -> None:
    with (
        held.holding(volume) as mine,
        guard.armed(mine, seconds=5, clock=SystemClock()) as armed,
        pytest.raises(PauseError, match="nothing was kept"),
        freeze.frozen(armed),
    ):
        signal_guard_and_write(number, volume)

    assert armed.fired
    assert not held.is_frozen(volume)


def test_the_guard_thaws_when_the_time_is_up_and_the_agent_keeps_nothing(volume: Path) -> None:
    with (
        held.holding(volume) as mine,
        guard.armed(mine, seconds=0.3, clock=SystemClock()) as armed,
        pytest.raises(PauseError, match="nothing was kept"),
        freeze.frozen(armed) as window,
    ):
        done = held.write_moment(volume / "on")  # waits, as any writer would

    assert 0.25 < done - window.began < 1.3


def test_a_stopped_agent_is_thawed_when_the_time_is_up(volume: Path, journal: Path) -> None:
    with held.holder("hang", journal, volume) as holder:
        assert holder.say() == "holding"
        holder.process.send_signal(signal.SIGSTOP)
        started = time.monotonic()

        done = held.write_moment(volume / "on")

        assert done - started < 6  # the holder's ceiling is 5 s


def test_nothing_is_frozen_without_a_guard(volume: Path) -> None:
    with held.holding(volume) as mine, guard.armed(mine, seconds=5, clock=SystemClock()) as armed:
        os.kill(child_of_ours(), signal.SIGKILL)
        os.waitpid(-1, 0)

        with pytest.raises(PauseError, match="guard died"), freeze.frozen(armed):
            pytest.fail("it was frozen without a guard")

    assert not held.is_frozen(volume)


def test_the_guard_holds_no_descriptor_but_its_own(volume: Path, tmp_path: Path) -> None:
    with (
        (tmp_path / "log").open("w"),
        held.holding(volume) as mine,
        guard.armed(mine, seconds=5, clock=SystemClock()),
    ):
        fds = Path(f"/proc/{child_of_ours()}/fd")
        kept = [str(fd.readlink()).partition(":")[0] for fd in fds.iterdir()]
        where = Path(f"/proc/{child_of_ours()}/cwd").readlink()

    expected = [*["/dev/null"] * 3, *["pipe"] * 4, *sysrq(), str(volume)]
    assert sorted(kept) == sorted(expected)
    assert where == Path("/proc")


def sysrq() -> list[str]:
    return ["/proc/sysrq-trigger"] if Path("/proc/sysrq-trigger").exists() else []


def test_the_guard_is_locked_in_memory_in_a_session_of_its_own(volume: Path) -> None:
    with held.holding(volume) as mine, guard.armed(mine, seconds=5, clock=SystemClock()) as armed:
        pid = child_of_ours()
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
        policy, session = os.sched_getscheduler(pid), os.getsid(pid)
        priority = os.sched_getparam(pid).sched_priority
        spared = Path(f"/proc/{pid}/oom_score_adj").read_text(encoding="ascii")

    locked = next(line for line in status.splitlines() if line.startswith("VmLck"))
    assert int(locked.split()[1]) > 0
    assert (policy, priority) == (os.SCHED_FIFO, 10)
    assert session == pid
    assert Protection.LOCKED | Protection.REALTIME in armed.strength
    # proc(5): with -1000 the out-of-memory killer never takes it; capabilities(7): that takes
    # CAP_SYS_RESOURCE, which some containers do not have.
    effective = next(line for line in status.splitlines() if line.startswith("CapEff"))
    may_be_spared = bool(int(effective.split()[1], 16) >> CAP_SYS_RESOURCE & 1)
    assert spared == ("-1000\n" if may_be_spared else "0\n")
    assert (Protection.SPARED in armed.strength) == may_be_spared


def test_what_the_kernel_refuses_to_the_guard_is_not_claimed() -> None:
    answer, said = os.pipe()

    def ordinary() -> None:
        # mlockall(2), sched_setscheduler(2), proc(5): none is for a user without privileges.
        resource.setrlimit(resource.RLIMIT_MEMLOCK, (0, 0))
        os.setuid(65534)
        os.write(said, bytes([guard_process._strengthen()]))

    child = process.fork_child(ordinary)
    os.close(said)
    strength = os.read(answer, 1)
    os.close(answer)
    os.waitpid(child, 0)

    assert strength == bytes([Protection(0)])


def test_no_guard_stays_behind_and_no_descriptor(volume: Path) -> None:
    before = len([*Path("/proc/self/fd").iterdir()])
    with held.holding(volume) as mine, guard.armed(mine, seconds=5, clock=SystemClock()):
        pid = child_of_ours()

    assert not Path(f"/proc/{pid}").exists()
    assert len([*Path("/proc/self/fd").iterdir()]) == before


def test_a_program_with_busy_threads_gets_its_guard(volume: Path, tmp_path: Path) -> None:
    # Forked in the middle of other threads' work, with their locks as they are at that moment.
    with threads_at_work(tmp_path / "log"), held.holding(volume) as mine:
        for _ in range(20):
            make_one_pause(mine)

    assert not held.is_frozen(volume)


@contextmanager
def threads_at_work(log: Path) -> Iterator[None]:
    over = threading.Event()
    handler = logging.FileHandler(log)
    logger = logging.Logger("busy")  # noqa: LOG001  apart from the loggers that pytest listens to
    logger.addHandler(handler)
    threads = [threading.Thread(target=keep_busy, args=(over, logger)) for _ in range(8)]
    try:
        for thread in threads:
            thread.start()
        yield
    finally:
        over.set()
        for thread in threads:
            thread.join()
        handler.close()


def keep_busy(over: threading.Event, logger: logging.Logger) -> None:
    """Take and release locks: of logging, of a file's buffer, of the allocator, of imports."""
    while not over.is_set():
        logger.warning("level %s", [str(n) for n in range(100)])
        importlib.reload(colorsys)


def make_one_pause(mine: tuple[HeldMount, ...]) -> None:
    with guard.armed(mine, seconds=5, clock=SystemClock()) as armed, freeze.frozen(armed):
        pass


def child_of_ours() -> int:
    """Return our youngest child, which is the guard."""
    children = Path(f"/proc/self/task/{os.getpid()}/children").read_text(encoding="ascii")
    return max(int(pid) for pid in children.split())
