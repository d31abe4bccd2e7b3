"""What the guard's process does: wait, and thaw when the agent cannot.

It runs in a forked copy of the agent while file systems are frozen. So it imports nothing, logs
nothing, opens nothing and starts nothing; it waits on a pipe and makes ioctls.
"""

from __future__ import annotations

import errno
import gc
import os
import select
import signal
import struct
import time
from contextlib import suppress
from dataclasses import dataclass
from enum import IntFlag
from typing import TYPE_CHECKING

from holdstill.board.freeze_state import FreezeState
from holdstill.board.patient_thaw import PatientThawer
from holdstill.system import ioctl, libc, process

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.board.freeze_state import SharedFreezeState
    from holdstill.board.patient_thaw import Thawer

ORDER = struct.Struct("<cd")
"""An order to the guard: a letter, and a moment on the monotonic clock."""
ARM, STAND_DOWN = b"A", b"D"

PATIENCE = 0.010
TRIES = 1000
"""Attempts after the agent's death: 10 s."""
TRIES_BEFORE_SYSRQ = 100
"""Attempts before sysrq thaws everything, also what others froze."""
PRIORITY = 10
"""Of the realtime scheduler: above all ordinary work, below the kernel's own threads."""
OOM_SCORE = "/proc/self/oom_score_adj"
SYSRQ = "/proc/sysrq-trigger"

_SIGNALS = (
    signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT,
    signal.SIGUSR1, signal.SIGUSR2, signal.SIGALRM,
)  # fmt: skip


class Protection(IntFlag):
    """What the guard could get of the kernel."""

    LOCKED = 1
    """It cannot be swapped out."""
    REALTIME = 2
    """It comes before a busy machine's other work."""
    SPARED = 4
    """The out-of-memory killer passes it by."""


@dataclass(frozen=True)
class GuardProcess:
    """What the guard watches over.

    Attributes:
        mounts: open directories, in the order of freezing.
        marks: which of them are frozen by us; shared with the agent.
        orders: read end of the agent's pipe.
        alarm: read end of a pipe that signals write to.
        sysrq: open /proc/sysrq-trigger, or None.
        patience: seconds between attempts to thaw what does not thaw yet.
    """

    mounts: Sequence[int]
    freeze_state: SharedFreezeState
    orders: int
    alarm: int
    thawer: Thawer
    sysrq: int | None = None
    patience: float = PATIENCE

    def watch(self) -> None:
        """Wait until the agent is done or dead; thaw everything when time is up."""
        deadline: float | None = None
        poll = select.poll()
        poll.register(self.orders, select.POLLIN)
        poll.register(self.alarm, select.POLLIN)
        while True:
            ready = [handle for handle, _ in poll.poll(self._wait_ms(deadline))]
            if self.orders in ready:
                order = os.read(self.orders, ORDER.size)
                if len(order) < ORDER.size:
                    return self.thaw_all_and_exit()
                deadline = _deadline(order)
            elif self.alarm in ready:
                os.read(self.alarm, 64)
                self.expire()
            elif self.freeze_state.fired or _is_over(deadline):
                self.expire()

    def _wait_ms(self, deadline: float | None) -> float | None:
        # After it has expired it polls: a freeze may have been in progress.
        if self.freeze_state.fired:
            return self.patience * 1000
        if deadline is None:
            return None
        return max(0.0, deadline - time.monotonic()) * 1000

    def expire(self) -> None:
        """Thaw although the agent lives; it learns of that, and keeps nothing."""
        self.freeze_state.expire()
        self.thaw_all()

    def thaw_all(self) -> list[int]:
        """Thaw what may be frozen by us, last frozen first; return what would not thaw."""
        stuck = []
        for number in self.freeze_state.possibly_frozen():
            try:
                self.thawer.thaw(self.mounts[number])
            except OSError as error:
                if error.errno != errno.EINVAL:
                    stuck.append(number)
                    continue
            # A freeze that is still on its way answers EINVAL, so its mark has to stay.
            if self.freeze_state[number] is FreezeState.OURS:
                self.freeze_state[number] = FreezeState.UNTOUCHED
        return stuck

    def thaw_all_and_exit(self) -> None:
        """Thaw after the agent's end: nothing is on its way any more."""
        for attempt in range(TRIES):
            stuck = self.thaw_all()
            for number in set(self.freeze_state.possibly_frozen()) - set(stuck):
                self.freeze_state[number] = FreezeState.UNTOUCHED
            if not stuck:
                return
            if attempt == TRIES_BEFORE_SYSRQ and self.sysrq is not None:
                with suppress(OSError):
                    os.write(self.sysrq, b"j")
            time.sleep(self.patience)  # noqa: TID251  the guard's time is the kernel's own


def _deadline(order: bytes) -> float | None:
    message, moment = ORDER.unpack(order)
    return float(moment) if message == ARM else None


def _is_over(deadline: float | None) -> bool:
    return deadline is not None and time.monotonic() >= deadline


def run_guard(mounts: Sequence[int], marks: SharedFreezeState, *, orders: int, ready: int) -> None:
    """Be the guard: called in the forked process, with all signals blocked; returns at the end."""
    gc.disable()
    os.setsid()
    process.keep_only({*mounts, orders, ready})
    os.chdir("/proc")  # not a file system of the board: it will not be unmounted or frozen
    strength = _strengthen()
    stage = os.open("/proc", os.O_RDONLY | os.O_DIRECTORY)
    thawer = PatientThawer((*mounts, stage), ioctl)
    guard = GuardProcess(mounts, marks, orders, _catch_signals(), thawer, _open_sysrq())
    _rehearse(guard, stage)
    os.close(stage)
    os.write(ready, bytes([strength]))
    guard.watch()


def _catch_signals() -> int:
    """Turn signals into bytes in a pipe; return its read end."""
    alarm, bell = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    signal.set_wakeup_fd(bell, warn_on_full_buffer=False)
    for number in _SIGNALS:
        signal.signal(number, _ring)
    signal.pthread_sigmask(signal.SIG_SETMASK, ())
    return alarm


def _ring(number: int, frame: object) -> None:
    """Do nothing here: the interpreter has already written to the pipe."""


def _strengthen() -> Protection:
    got = Protection(0)
    with suppress(OSError):
        libc.lock_memory()
        got |= Protection.LOCKED
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        got |= Protection.REALTIME
    return got | _spared()


def _spared(score: str = OOM_SCORE) -> Protection:
    """Ask the out-of-memory killer to pass this process by; return whether it will."""
    with suppress(OSError):
        handle = os.open(score, os.O_WRONLY | os.O_CLOEXEC)
        try:
            os.write(handle, b"-1000")
        finally:
            os.close(handle)
        return Protection.SPARED
    return Protection(0)


def _open_sysrq(trigger: str = SYSRQ) -> int | None:
    try:
        return os.open(trigger, os.O_WRONLY | os.O_CLOEXEC)
    except OSError:
        return None


def _rehearse(guard: GuardProcess, stage: int) -> None:
    """Bring the code of a thaw into memory, by a call on a file system that cannot be frozen."""
    with suppress(OSError):
        guard.thawer.thaw(stage)
    guard.thaw_all()
