"""Hold file systems still for an instant, all of them together.

Inside the window only reads are allowed, and writes to memory: no log line, no program, no first
import, no lock that another thread may hold. A write to a frozen file system waits for the thaw,
and we are the ones who would thaw.
"""

from __future__ import annotations

import errno
import gc
import signal
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.board import freeze_order, freeze_state, mount_top
from holdstill.board.freeze_state import FreezeState
from holdstill.board.guard import HeldMount
from holdstill.board.patient_thaw import PatientThawer
from holdstill.errors import DegradedError, PauseError
from holdstill.model.paths import BoardPath
from holdstill.system import ioctl

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from holdstill.board.freeze_state import FrozenFileSystem, SharedFreezeState
    from holdstill.board.guard import Guard
    from holdstill.board.mounts import Mount
    from holdstill.board.patient_thaw import Thawer

CANNOT = frozenset({errno.EOPNOTSUPP, errno.ENOTTY})
"""errno of FIFREEZE on a file system that cannot be frozen (FAT, tmpfs, overlay)."""
NOT_OURS = CANNOT | {errno.EBUSY}
"""Answers after which it is not to be thawed by us; after any other, a thaw does no harm."""
THAW_TRIES, THAW_PATIENCE = 20, 0.010

_POLITE_SIGNALS = frozenset({signal.SIGTERM, signal.SIGINT, signal.SIGHUP})


@contextmanager
def hold_mounts(
    wanted: Sequence[Mount], *, all_mounts: Sequence[Mount]
) -> Iterator[tuple[HeldMount, ...]]:
    """Open each file system once, in the order in which they are to be frozen.

    Args:
        wanted: may have several mounts of one file system.
        all_mounts: everything mounted, to find file systems that are on files of others.

    Raises:
        PauseError: a mount point does not lead to its file system any more.
    """
    order = freeze_order.freeze_order(wanted, freeze_order.read_stacking(all_mounts))
    with ExitStack() as undo:
        held = [HeldMount(mount, undo.enter_context(_opened(mount))) for mount in order]
        yield tuple(held)


@contextmanager
def _opened(mount: Mount) -> Iterator[int]:
    with ExitStack() as undo:
        try:
            handle = undo.enter_context(mount_top.opened(mount))
        except OSError as error:
            if error.errno != errno.ESTALE:
                raise PauseError(f"cannot open {mount.point}: {error.strerror}") from error
            raise PauseError(
                f"{mount.point} leads to another file system than {mount.source}",
                hint="something was mounted over it during the capture; run the capture again",
            ) from error
        yield handle


@dataclass
class FrozenSpan:
    """The frozen span.

    Attributes:
        began, ended: moments on the monotonic clock, around the first freeze and the last thaw.
        deadline: when the guard acts.
        frozen: what is of one instant.
        unfreezable: what the kernel cannot freeze; the caller finds another way for these.
        troubles: what went wrong without breaking the instant; to be reported after the thaw.
    """

    began: float = 0.0
    ended: float = 0.0
    deadline: float = 0.0
    frozen: list[HeldMount] = field(default_factory=list)
    unfreezable: list[HeldMount] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)

    @property
    def seconds(self) -> float:
        """How long it was, once it is over."""
        return self.ended - self.began


@contextmanager
def frozen(guard: Guard) -> Iterator[FrozenSpan]:
    """Hold the guard's mounts still for the length of the block; read in it, do nothing else.

    Raises:
        PauseError: something could not be frozen (everything runs again), or, on leaving, the
            instant was broken: the guard or another process thawed first. Discard what was read.
        DegradedError: on leaving, something would not thaw; the guard goes on trying.
    """
    window = FrozenSpan()
    _write_out(guard, window)
    hold = _Hold(guard, window)
    with _collector_off():
        try:
            with _undisturbed():
                hold.freeze_all()
            with hold.reading():
                yield window
        finally:
            with _undisturbed():
                hold.thaw_all()
            hold.check_thawed()
    hold.judge()


def _write_out(guard: Guard, window: FrozenSpan) -> None:
    """Leave the freeze itself little to write."""
    for held in guard.mounts:
        try:
            guard.kernel.sync_file_system(held.handle)
        except OSError as error:
            window.troubles.append(f"{held}: writing out before the pause: {error.strerror}")


@contextmanager
def _collector_off() -> Iterator[None]:
    """Let no collection of garbage, with whatever it would finalise, happen in the block."""
    was_on = gc.isenabled()
    gc.disable()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        if was_on:
            gc.enable()


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Let signals wait: an exception out of a handler must not end a round of thaws."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, _POLITE_SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Hold:
    """Freezes and thaws, and records whether the instant was kept."""

    def __init__(self, guard: Guard, window: FrozenSpan) -> None:
        self.guard = guard
        self.window = window
        self.guard_was_first = False
        self.thawed_by_others: list[HeldMount] = []
        self.stuck: dict[int, OSError] = {}
        self.stopped: PauseError | None = None

    @contextmanager
    def reading(self) -> Iterator[None]:
        """Let what ends the reading wait for the verdict: a broken instant is why it changed."""
        try:
            yield
        except PauseError as error:
            self.stopped = error

    def freeze_all(self) -> None:
        self.window.deadline = self.guard.start_deadline()
        self.window.began = self.guard.clock.monotonic()
        for number in range(len(self.guard.mounts)):
            self._freeze(number)

    def _freeze(self, number: int) -> None:
        held, marks = self.guard.mounts[number], self.guard.marks
        marks[number] = FreezeState.TRYING  # before the call: we may be killed in it
        began = self.guard.clock.monotonic()
        try:
            self.guard.kernel.freeze(held.handle)
        except OSError as error:
            if error.errno in NOT_OURS:
                marks[number] = FreezeState.UNTOUCHED
            if error.errno not in CANNOT:
                raise _not_frozen(held, error) from error
            self.window.unfreezable.append(held)
            return
        marks[number] = FreezeState.OURS
        self.window.frozen.append(held)
        if self.guard.fired:
            raise self._freeze_too_long(held, self.guard.clock.monotonic() - began)

    def thaw_all(self) -> None:
        # Before our first thaw: until now only the guard can have thawed.
        self.guard_was_first = self.guard.fired
        for _ in range(THAW_TRIES):
            for number in self.guard.marks.possibly_frozen():
                self._thaw(number)
            if not self.stuck:
                break
            self.guard.clock.sleep(THAW_PATIENCE)
        self.window.ended = self.guard.clock.monotonic()
        if not self.stuck:
            self.guard.stand_down()

    def _thaw(self, number: int) -> None:
        held, marks = self.guard.mounts[number], self.guard.marks
        try:
            self.guard.kernel.thaw(held.handle)
        except OSError as error:
            if error.errno != errno.EINVAL:
                self.stuck[number] = error
                return
            if marks[number] is FreezeState.OURS and number not in self.stuck:
                self.thawed_by_others.append(held)
        self.stuck.pop(number, None)
        marks[number] = FreezeState.UNTOUCHED

    def check_thawed(self) -> None:
        """Raise if something stays frozen; that matters more than any other failure."""
        if self.stuck:
            number, error = next(iter(self.stuck.items()))
            raise DegradedError(
                f"{self.guard.mounts[number]} does not thaw: {error.strerror}",
                hint="if writing to it hangs: echo j > /proc/sysrq-trigger, else reboot",
            ) from error

    def judge(self) -> None:
        """Raise if the instant was broken or the reading ended, now that everything runs again."""
        if self.guard_was_first or (self.thawed_by_others and self.guard.fired):
            raise self._too_late() from self.stopped
        if self.thawed_by_others:
            names = ", ".join(str(held) for held in self.thawed_by_others)
            raise PauseError(
                f"another program thawed {names} during the pause; nothing was kept",
                hint="find out what else freezes and thaws file systems on this board",
            ) from self.stopped
        if self.stopped is not None:
            raise self.stopped

    def _freeze_too_long(self, held: HeldMount, seconds: float) -> PauseError:
        """Tell of a freeze that waited: nobody can end it, and no guard can thaw it meanwhile."""
        return PauseError(
            f"freezing {held} took {seconds:.1f} s, and whoever wrote to it waited; the thaw "
            f"guard let go before the pause was over (at most {self.guard.seconds:g} s); nothing "
            "was kept",
            hint="a write that was under way did not end, or much was to be written: quiet what "
            "writes so much, or raise `pause.ceiling`",
        )

    def _too_late(self) -> PauseError:
        met = f" ({self.stopped})" if self.stopped else ""
        return PauseError(
            f"the thaw guard let go before the pause was over (at most {self.guard.seconds:g} s); "
            f"the board kept running; nothing was kept{met}",
            hint="raise `pause.ceiling`, or quiet what writes so much",
        )


def _not_frozen(held: HeldMount, error: OSError) -> PauseError:
    hints = {
        errno.EBUSY: "another program has frozen it and must thaw it: find out which",
        errno.EPERM: "run as root",
    }
    return PauseError(
        f"cannot freeze {held}: {error.strerror}; everything runs again",
        hint=hints.get(error.errno or 0, "check the kernel's log"),
    )


def thaw_left_over(
    marks_file: Path, all_mounts: Sequence[Mount], *, kernel: Thawer = ioctl
) -> tuple[str, ...]:
    """Thaw what an ended run and its guard left frozen; return the mount points, for the report.

    The last step of the ladder: for the end of the service, and the start of the next run. To
    call it again, or when nothing is left, does nothing.

    Raises:
        DegradedError: something would not thaw; it is tried again the next time.
    """
    try:
        marks, marked = freeze_state.left_over(marks_file)
    except (FileNotFoundError, ValueError):
        return ()
    report = _thaw_marked(marks, marked, all_mounts, kernel)
    if report.failed:
        raise DegradedError(
            "cannot thaw " + "; ".join(report.failed),
            hint="if writing there hangs: echo j > /proc/sysrq-trigger, else reboot",
        )
    marks_file.unlink(missing_ok=True)
    return tuple(report.thawed)


@dataclass
class _Report:
    thawed: list[str]
    failed: list[str]


def _thaw_marked(
    marks: SharedFreezeState,
    marked: Sequence[FrozenFileSystem],
    all_mounts: Sequence[Mount],
    kernel: Thawer,
) -> _Report:
    thawed, failed = [], {}
    # One that does not answer may do so when those that it waits for are thawed.
    for number in (*marks.possibly_frozen(), *marks.possibly_frozen()):
        if marks[number] is FreezeState.UNTOUCHED:
            continue
        name = str(BoardPath(marked[number].point))
        try:
            if _thaw_device(marked[number], all_mounts, kernel):
                thawed.append(name)
        except OSError as error:
            failed[name] = f"{name}: {error.strerror}"
        else:
            marks[number] = FreezeState.UNTOUCHED
            failed.pop(name, None)
    return _Report(thawed, list(failed.values()))


def _thaw_device(marked: FrozenFileSystem, all_mounts: Sequence[Mount], kernel: Thawer) -> bool:
    """Thaw a file system wherever it is mounted now; return whether it was frozen."""
    places = [mount for mount in all_mounts if mount.device == marked.device]
    if not places:
        # Not the end of a freeze: the kernel keeps a frozen file system, mounted or not.
        raise OSError(errno.ENODEV, "not mounted any more; mount it, and try again")
    places.sort(key=lambda mount: (mount.is_covered, mount.point.raw != marked.point))
    with mount_top.reached(places[0]) as handle:
        try:
            PatientThawer([handle], kernel).thaw(handle)
        except OSError as error:
            if error.errno == errno.EINVAL:
                return False
            raise
    return True
