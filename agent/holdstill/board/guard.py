"""The thaw guard: a process of its own that outlives us, started before anything is frozen.

A freeze outlives its maker, and a process that waits for a frozen file system cannot even be
killed. So whatever happens to the agent, another process must thaw: on the agent's
death (the pipe between them closes), when the time is up, or on a signal.
"""

from __future__ import annotations

import os
import select
import signal
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from holdstill.board import freeze_state, guard_process
from holdstill.board.guard_process import Protection
from holdstill.errors import PauseError
from holdstill.system import ioctl, process

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from holdstill.board.freeze_state import SharedFreezeState
    from holdstill.board.mounts import Mount
    from holdstill.model.paths import BoardPath
    from holdstill.system.clocks import Clock

MARKS = "frozen"
"""The file in the undo log's directory that records what is frozen by us."""
READY_SECONDS = 10.0
END_SECONDS = 2.0


@dataclass(frozen=True)
class HeldMount:
    """A mounted file system with an open descriptor of its mount point."""

    mount: Mount
    handle: int

    @property
    def point(self) -> BoardPath:
        """Where it is mounted."""
        return self.mount.point

    def __str__(self) -> str:
        return str(self.mount.point)


class FreezeCalls(Protocol):
    """The calls that freezing takes; `system.ioctl` is one."""

    def freeze(self, mount: int) -> None:
        """Freeze; OSError EBUSY if it is frozen already, EOPNOTSUPP if it cannot be."""

    def thaw(self, mount: int) -> None:
        """Thaw; OSError EINVAL if it is not frozen."""

    def sync_file_system(self, handle: int) -> None:
        """Write out everything."""


@dataclass(frozen=True)
class Guard:
    """The agent's side of an armed guard.

    Attributes:
        mounts: what may be frozen, in the order of freezing.
        seconds: how long from the first freeze until the guard acts.
        orders, answer: the pipes to and from the guard's process.
        strength: what the guard could get of the kernel.
    """

    mounts: tuple[HeldMount, ...]
    marks: SharedFreezeState
    clock: Clock
    seconds: float
    orders: int
    answer: int
    strength: Protection
    kernel: FreezeCalls = ioctl

    @property
    def fired(self) -> bool:
        """Whether the guard thawed, or is about to, on its own account."""
        return self.marks.fired

    @property
    def shortcomings(self) -> tuple[str, ...]:
        """List what the kernel refused to the guard; it works, but with less certainty."""
        words = {
            Protection.LOCKED: "the thaw guard's memory could not be locked",
            Protection.REALTIME: "the thaw guard has no realtime priority",
            Protection.SPARED: "the thaw guard is not spared by the out-of-memory killer",
        }
        return tuple(text for part, text in words.items() if part not in self.strength)

    def start_deadline(self) -> float:
        """Let the time run from now; return when the guard will act.

        Raises:
            PauseError: the guard is dead, or has acted.
        """
        self.check()
        deadline = self.clock.monotonic() + self.seconds
        self._order(guard_process.ARM, deadline)
        return deadline

    def stand_down(self) -> None:
        """Stop the time: nothing is frozen any more."""
        with suppress(PauseError):  # a dead guard needs no order
            self._order(guard_process.STAND_DOWN, 0.0)

    def check(self) -> None:
        """Make sure that the guard lives and has not acted.

        Raises:
            PauseError: it is dead, or has acted.
        """
        if self.fired:
            raise PauseError("the thaw guard has already let go; nothing was frozen")
        if _says_something(self.answer, seconds=0.0):  # after "ready" only the end can come
            raise _guard_is_dead()

    def _order(self, letter: bytes, moment: float) -> None:
        try:
            os.write(self.orders, guard_process.ORDER.pack(letter, moment))
        except BrokenPipeError as error:
            raise _guard_is_dead() from error


def _guard_is_dead() -> PauseError:
    return PauseError(
        "the thaw guard died; nothing is frozen without it",
        hint="look for what killed it: out of memory, or a kill of the whole service",
    )


def _says_something(handle: int, *, seconds: float) -> bool:
    poll = select.poll()
    poll.register(handle, select.POLLIN)
    return bool(poll.poll(seconds * 1000))


@contextmanager
def armed(
    mounts: Sequence[HeldMount],
    *,
    seconds: float,
    clock: Clock,
    marks_in: Path | None = None,
) -> Iterator[Guard]:
    """Keep a guard ready that thaws these mounts, in reverse order, whatever happens to us.

    Leaving the block ends the guard; whatever is still frozen by us is thawed by that.

    Args:
        mounts: in the order in which they are going to be frozen.
        seconds: most time from the first freeze to the last thaw.
        clock: the system's; the guard lives in real time.
        marks_in: directory on a tmpfs that tells a later run, or the service's last step, what
            is frozen if we and the guard should both die.

    Raises:
        PauseError: the guard could not be started.
    """
    with ExitStack() as undo:
        marks = undo.enter_context(_shared_marks(mounts, marks_in))
        handles = [held.handle for held in mounts]
        orders, answer = undo.enter_context(_guarding(handles, marks))
        strength = _await_ready(answer)
        yield Guard(tuple(mounts), marks, clock, seconds, orders, answer, strength)


@contextmanager
def _shared_marks(
    mounts: Sequence[HeldMount], marks_in: Path | None
) -> Iterator[SharedFreezeState]:
    if marks_in is None:
        yield freeze_state.in_memory(len(mounts))
        return
    marked = [freeze_state.FrozenFileSystem(held.mount.device, held.point.raw) for held in mounts]
    with freeze_state.on_tmpfs(marks_in / MARKS, marked) as marks:
        yield marks


@contextmanager
def _guarding(handles: Sequence[int], marks: SharedFreezeState) -> Iterator[tuple[int, int]]:
    """Run the guard's process; yield the pipes to and from it."""
    orders, to_guard = os.pipe2(os.O_CLOEXEC)
    answer, from_guard = os.pipe2(os.O_CLOEXEC)
    with _signals_blocked():  # or the copy could run a handler of ours
        child = process.fork_child(
            lambda: guard_process.run_guard(handles, marks, orders=orders, ready=from_guard)
        )
    os.close(orders)
    os.close(from_guard)
    try:
        yield to_guard, answer
    finally:
        os.close(to_guard)
        _reap(child, answer)
        os.close(answer)


@contextmanager
def _signals_blocked() -> Iterator[None]:
    before = signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _await_ready(answer: int) -> Protection:
    said = os.read(answer, 1) if _says_something(answer, seconds=READY_SECONDS) else b""
    if not said:
        raise PauseError("the thaw guard did not start; nothing was frozen")
    return Protection(said[0])


def _reap(child: int, answer: int) -> None:
    # Its end of the pipe closes when it ends. One that hangs in a thaw is left to finish alone:
    # waiting for it would make us hang with it.
    if _says_something(answer, seconds=END_SECONDS):
        with suppress(ChildProcessError):
            os.waitpid(child, 0)
