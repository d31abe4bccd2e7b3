from __future__ import annotations

import errno
import fcntl
import os
import signal
import threading
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import freeze_state, guard_process
from holdstill.board.freeze_state import FreezeState
from holdstill.board.guard_process import ARM, ORDER, STAND_DOWN, GuardProcess, Protection
from holdstill.system.clocks import SystemClock
from support import descriptors
from support.services import FakeKernel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.freeze_state import SharedFreezeState

MOUNTS = [30, 31, 32]
CLOCK = SystemClock()
"""The vigil lives in real time."""


@dataclass
class Watched:
    """A vigil in a thread, and our ends of its pipes."""

    vigil: GuardProcess
    kernel: FakeKernel
    marks: SharedFreezeState
    orders: int
    bell: int
    thread: threading.Thread

    def die(self) -> None:
        """End as the agent would that is killed."""
        os.close(self.orders)
        self.orders = -1
        self.thread.join(timeout=5)
        assert not self.thread.is_alive()

    def until_fired(self) -> None:
        deadline = CLOCK.monotonic() + 5
        while not self.marks.fired:
            assert CLOCK.monotonic() < deadline
            CLOCK.sleep(0.002)

    def until_tried(self) -> None:
        deadline = CLOCK.monotonic() + 5
        while not self.kernel.deeds:
            assert CLOCK.monotonic() < deadline
            CLOCK.sleep(0.002)

    def until_thawed(self, mount: int) -> None:
        deadline = CLOCK.monotonic() + 5
        while mount in self.kernel.frozen:
            assert CLOCK.monotonic() < deadline
            CLOCK.sleep(0.002)

    def freeze(self, number: int, state: FreezeState = FreezeState.OURS) -> None:
        self.marks[number] = state
        self.kernel.frozen.add(MOUNTS[number])


@contextmanager
def watching(sysrq: int | None = None) -> Iterator[Watched]:
    orders, order = os.pipe()
    alarm, bell = os.pipe()
    kernel, shared = FakeKernel(), freeze_state.in_memory(len(MOUNTS))
    vigil = GuardProcess(MOUNTS, shared, orders, alarm, kernel, sysrq, patience=0.0005)
    thread = threading.Thread(target=vigil.watch, daemon=True)
    watched = Watched(vigil, kernel, shared, order, bell, thread)
    thread.start()
    try:
        yield watched
    finally:
        if watched.orders >= 0:
            watched.die()
        for handle in (orders, alarm, bell):
            os.close(handle)


def test_the_agents_death_thaws_in_reverse() -> None:
    with watching() as watched:
        for number in range(3):
            watched.freeze(number)

        watched.die()

    assert watched.kernel.deeds == [("thaw", 32), ("thaw", 31), ("thaw", 30)]
    assert watched.kernel.frozen == set()
    assert watched.marks.possibly_frozen() == []


def test_a_freeze_that_was_on_its_way_is_thawed_as_well() -> None:
    with watching() as watched:
        watched.freeze(0)
        watched.freeze(1, FreezeState.TRYING)

        watched.die()

    assert watched.kernel.frozen == set()
    assert watched.marks.possibly_frozen() == []


def test_somebody_elses_freeze_is_left_alone() -> None:
    with watching() as watched:
        watched.freeze(0)
        watched.kernel.frozen.add(31)

        watched.die()

    assert watched.kernel.frozen == {31}


def test_a_calm_end_thaws_nothing() -> None:
    with watching() as watched:
        os.write(watched.orders, ORDER.pack(ARM, CLOCK.monotonic() + 100))
        os.write(watched.orders, ORDER.pack(STAND_DOWN, 0.0))

        watched.die()

    assert watched.kernel.deeds == []
    assert not watched.marks.fired


def test_it_fires_when_the_time_is_up() -> None:
    with watching() as watched:
        watched.freeze(0)

        os.write(watched.orders, ORDER.pack(ARM, CLOCK.monotonic() + 0.05))
        watched.until_fired()
        watched.until_thawed(30)

        assert watched.thread.is_alive()


def test_standing_down_stops_the_time() -> None:
    with watching() as watched:
        os.write(watched.orders, ORDER.pack(ARM, CLOCK.monotonic() + 0.05))
        os.write(watched.orders, ORDER.pack(STAND_DOWN, 0.0))

        CLOCK.sleep(0.1)

        assert not watched.marks.fired


def test_it_fires_at_a_signal() -> None:
    with watching() as watched:
        watched.freeze(0)

        os.write(watched.bell, b"\x0f")
        watched.until_fired()
        watched.until_thawed(30)

        assert watched.thread.is_alive()


def test_a_freeze_that_comes_into_force_after_it_fired_is_thawed_too() -> None:
    with watching() as watched:
        watched.marks[0] = FreezeState.TRYING  # the kernel says EINVAL as long as it is on its way
        os.write(watched.bell, b"\x0f")
        watched.until_tried()

        watched.kernel.frozen.add(30)

        watched.until_thawed(30)


def test_one_that_does_not_thaw_does_not_stop_the_others() -> None:
    with watching() as watched:
        watched.kernel.answers["thaw", 32] = errno.EIO
        for number in range(3):
            watched.freeze(number)
        os.write(watched.bell, b"\x0f")
        watched.until_thawed(31)
        watched.until_thawed(30)

        stuck = watched.marks.possibly_frozen()
        del watched.kernel.answers["thaw", 32]

    assert stuck == [2]
    assert watched.kernel.frozen == set()


def test_the_kernel_is_asked_to_thaw_everything_in_the_end(tmp_path: Path) -> None:
    trigger = os.open(tmp_path / "sysrq-trigger", os.O_WRONLY | os.O_CREAT)
    with watching(trigger) as watched:
        watched.freeze(0)
        watched.kernel.answers["thaw", 30] = errno.EIO

        watched.die()
    os.close(trigger)

    assert (tmp_path / "sysrq-trigger").read_bytes() == b"j"
    assert watched.marks.possibly_frozen() == [0]  # so that the last step of the ladder tries, too


def test_the_mark_is_set_before_the_first_thaw() -> None:
    fired = []
    with watching() as watched:
        watched.freeze(0)
        watched.kernel.seen = lambda deed, mount: fired.append(watched.marks.fired)

        os.write(watched.bell, b"\x0f")
        watched.until_thawed(30)

    assert fired[0] is True


@pytest.mark.parametrize("words", [b"A", b"A" * 8])
def test_half_an_order_is_the_agents_death(words: bytes) -> None:
    with watching() as watched:
        watched.freeze(0)

        os.write(watched.orders, words)
        watched.die()

    assert watched.kernel.frozen == set()


def test_the_guard_fires_when_the_time_is_up_and_not_much_later() -> None:
    with watching() as watched:
        watched.freeze(0)
        began = CLOCK.monotonic()
        os.write(watched.orders, ORDER.pack(ARM, began + 0.05))

        watched.until_fired()

        # A second late would be a pause five times as long as a good one.
        assert 0.05 <= CLOCK.monotonic() - began < 0.7


@pytest.mark.parametrize(
    ("seconds", "least", "most"), [(-5.0, 0.0, 0.0), (0.0, 0.0, 0.0), (2.0, 1900.0, 2000.0)]
)
def test_how_long_the_guard_may_sleep(seconds: float, least: float, most: float) -> None:
    vigil = GuardProcess(MOUNTS, freeze_state.in_memory(3), -1, -1, FakeKernel())

    waits = vigil._wait_ms(CLOCK.monotonic() + seconds)

    assert waits is not None
    assert least <= waits <= most


def test_without_a_deadline_the_guard_sleeps_and_after_firing_it_looks_again_soon() -> None:
    state = freeze_state.in_memory(3)
    vigil = GuardProcess(MOUNTS, state, -1, -1, FakeKernel(), patience=0.01)
    before = vigil._wait_ms(None)
    state.expire()

    assert (before, vigil._wait_ms(None)) == (None, 10.0)


def test_a_guard_goes_on_for_ten_seconds_and_asks_the_kernel_after_one() -> None:
    assert pytest.approx(10) == guard_process.TRIES * guard_process.PATIENCE
    assert pytest.approx(1) == guard_process.TRIES_BEFORE_SYSRQ * guard_process.PATIENCE


def test_each_protection_is_told_apart_in_the_one_byte_that_a_guard_answers() -> None:
    assert [part.value for part in Protection.__members__.values()] == [1, 2, 4]


def test_the_out_of_memory_killer_is_asked_to_pass_the_guard_by(tmp_path: Path) -> None:
    """proc(5): what is written is added to the badness; -1000 is never to be taken."""
    score = tmp_path / "oom_score_adj"
    score.touch()
    before = descriptors.count()

    got = guard_process._spared(str(score))

    assert got is Protection.SPARED
    assert score.read_bytes() == b"-1000"
    assert descriptors.count() == before


def test_a_guard_that_may_not_ask_to_be_spared_does_not_claim_it(tmp_path: Path) -> None:
    assert guard_process._spared(str(tmp_path / "no such file")) == Protection(0)
    assert not (tmp_path / "no such file").exists()


def test_a_refused_score_is_not_claimed_and_costs_no_descriptor() -> None:
    """full(4): every write to it is refused, as proc(5) refuses who lacks CAP_SYS_RESOURCE."""
    before = descriptors.count()

    assert guard_process._spared("/dev/full") == Protection(0)
    assert descriptors.count() == before


def test_the_last_resort_is_opened_to_write_to_and_given_to_no_program(tmp_path: Path) -> None:
    trigger = tmp_path / "sysrq-trigger"
    trigger.touch()

    handle = guard_process._open_sysrq(str(trigger))

    assert handle is not None
    assert os.write(handle, b"j") == 1
    assert fcntl.fcntl(handle, fcntl.F_GETFD) & fcntl.FD_CLOEXEC
    os.close(handle)


def test_a_kernel_without_sysrq_has_no_last_resort(tmp_path: Path) -> None:
    assert guard_process._open_sysrq(str(tmp_path / "sysrq-trigger")) is None
    assert not (tmp_path / "sysrq-trigger").exists()


def test_where_the_kernel_is_asked() -> None:
    """proc(5); Linux, admin-guide/sysrq.rst: a letter is written to /proc/sysrq-trigger."""
    assert Path(guard_process.OOM_SCORE).read_bytes().strip().lstrip(b"-").isdigit()
    assert guard_process.OOM_SCORE == "/proc/self/oom_score_adj"
    assert guard_process.SYSRQ == "/proc/sysrq-trigger"
    assert guard_process._open_sysrq.__defaults__ == (guard_process.SYSRQ,)
    assert guard_process._spared.__defaults__ == (guard_process.OOM_SCORE,)


@pytest.fixture
def signals_as_before() -> Iterator[None]:
    handlers = {number: signal.getsignal(number) for number in guard_process._SIGNALS}
    blocked = signal.pthread_sigmask(signal.SIG_BLOCK, ())
    yield
    signal.set_wakeup_fd(-1)
    for number, handler in handlers.items():
        signal.signal(number, handler)
    signal.pthread_sigmask(signal.SIG_SETMASK, blocked)


@pytest.mark.usefixtures("signals_as_before")
def test_whatever_would_end_a_program_rings_instead_even_if_it_was_blocked() -> None:
    """signal(7): these end a program that does nothing about them."""
    # The guard is forked with all signals blocked.
    signal.pthread_sigmask(signal.SIG_BLOCK, guard_process._SIGNALS)
    deadly = [
        signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT,
        signal.SIGUSR1, signal.SIGUSR2, signal.SIGALRM,
    ]  # fmt: skip

    alarm = guard_process._catch_signals()

    for number in deadly:
        os.kill(os.getpid(), number)
        assert os.read(alarm, 64) == bytes([number])
    assert signal.pthread_sigmask(signal.SIG_BLOCK, ()) == set()
    assert fcntl.fcntl(alarm, fcntl.F_GETFD) & fcntl.FD_CLOEXEC
    with pytest.raises(BlockingIOError):
        os.read(alarm, 1)
    bell = signal.set_wakeup_fd(-1)
    assert not os.get_blocking(bell)  # set_wakeup_fd refuses one that could make it wait
    os.close(bell)
    os.close(alarm)


def test_a_thaw_is_rehearsed_as_a_whole_where_nothing_can_be_frozen() -> None:
    marks, kernel = freeze_state.in_memory(3), FakeKernel()
    stages = []

    def look(deed: str, mount: int) -> None:
        if mount not in MOUNTS:
            stages.append(Path(f"/proc/self/fd/{mount}").readlink())

    kernel.seen = look
    vigil = GuardProcess(MOUNTS, marks, -1, -1, kernel)
    marks[1] = FreezeState.OURS
    before = descriptors.count()
    stage = os.open("/proc", os.O_RDONLY)

    guard_process._rehearse(vigil, stage)
    os.close(stage)

    assert stages == [Path("/proc")]
    assert kernel.deeds[-1] == ("thaw", MOUNTS[1])
    assert marks.possibly_frozen() == []
    assert descriptors.count() == before
    assert not marks.fired


@pytest.mark.parametrize("mark", [FreezeState.OURS, FreezeState.TRYING])
def test_a_mark_says_after_a_thaw_what_may_still_be_frozen(mark: FreezeState) -> None:
    """A freeze on its way answers as what is not frozen does: EINVAL."""
    marks, kernel = freeze_state.in_memory(3), FakeKernel()
    vigil = GuardProcess(MOUNTS, marks, -1, -1, kernel)
    marks[0] = marks[2] = mark
    kernel.answers["thaw", MOUNTS[2]] = errno.EIO

    stuck = vigil.thaw_all()

    assert stuck == [2]
    assert marks[2] is mark
    assert marks[0] is (FreezeState.UNTOUCHED if mark is FreezeState.OURS else FreezeState.TRYING)


def test_the_kernel_is_asked_once_to_thaw_everything_and_may_refuse(tmp_path: Path) -> None:
    (tmp_path / "trigger").touch()
    for flags in (os.O_WRONLY, os.O_RDONLY):  # what is open for reading refuses to be written to
        trigger = os.open(tmp_path / "trigger", flags)
        marks, kernel = freeze_state.in_memory(3), FakeKernel()
        marks[0] = FreezeState.OURS
        kernel.answers["thaw", MOUNTS[0]] = errno.EIO

        GuardProcess(MOUNTS, marks, -1, -1, kernel, trigger, patience=0).thaw_all_and_exit()

        assert len(kernel.deeds) == guard_process.TRIES
        os.close(trigger)
    assert (tmp_path / "trigger").read_bytes() == b"j"


def test_the_kernel_is_asked_to_thaw_everything_after_the_tries_before() -> None:
    read, trigger = os.pipe2(os.O_NONBLOCK)
    marks, kernel = freeze_state.in_memory(1), FakeKernel()
    marks[0] = FreezeState.OURS
    kernel.answers["thaw", MOUNTS[0]] = errno.EIO
    asked: list[int] = []

    def look(deed: str, mount: int) -> None:
        try:
            os.read(read, 1)
        except BlockingIOError:
            return
        asked.append(len(kernel.deeds))
        del kernel.answers["thaw", MOUNTS[0]]  # it helped

    kernel.seen = look
    GuardProcess(MOUNTS, marks, -1, -1, kernel, trigger, patience=0).thaw_all_and_exit()
    os.close(read)
    os.close(trigger)

    assert asked == [guard_process.TRIES_BEFORE_SYSRQ + 1]
    assert len(kernel.deeds) == guard_process.TRIES_BEFORE_SYSRQ + 2
    assert marks.possibly_frozen() == []


def test_time_is_up_at_the_deadline_and_never_without_one() -> None:
    now = CLOCK.monotonic()

    assert guard_process._is_over(now)
    assert not guard_process._is_over(now + 100)
    assert not guard_process._is_over(None)


def test_a_guard_waits_before_it_tries_again() -> None:
    marks, kernel = freeze_state.in_memory(1), FakeKernel()
    marks[0] = FreezeState.OURS
    kernel.answers["thaw", MOUNTS[0]] = errno.EIO
    tried: list[float] = []

    def look(deed: str, mount: int) -> None:
        tried.append(CLOCK.monotonic())
        if len(tried) == 3:
            del kernel.answers["thaw", MOUNTS[0]]

    kernel.seen = look
    GuardProcess(MOUNTS, marks, -1, -1, kernel, patience=0.02).thaw_all_and_exit()

    # nanosleep(2): never less, unless a signal comes.
    assert all(later - earlier >= 0.02 for earlier, later in pairwise(tried[:3]))
