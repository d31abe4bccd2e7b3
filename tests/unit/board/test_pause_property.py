"""Whatever fails at any step of a pause, every service runs again and nothing is left frozen.

The board below obeys the commands that hooks give, and freezes as the kernel does. A run of a
whole pause counts its steps; then it is repeated with something going wrong at step 1, 2, 3 ...
until nothing goes wrong any more (the method of sqlite.org/testing.html, section 3).
"""

from __future__ import annotations

import errno
import os
import shlex
import tempfile
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from enum import Enum, auto
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from holdstill.board import freeze, freeze_state, hooks, read_only, undo_log
from holdstill.board.freeze_state import FrozenFileSystem
from holdstill.board.guard import MARKS, Guard, HeldMount
from holdstill.board.guard_process import GuardProcess, Protection
from holdstill.board.mounts import Mount
from holdstill.errors import CommandError, HoldstillError
from holdstill.model.paths import BoardPath
from holdstill.model.settings import Hook, HookHow
from support.services import FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

    from holdstill.board.service_control import LineDialog
    from holdstill.board.undo_log import UndoLog
    from holdstill.system.process import Command


class Fault(Enum):
    """What goes wrong at one step."""

    REFUSED = auto()
    """The deed fails and has no effect."""
    FAILED = auto()
    """The deed has its effect and fails all the same."""
    INTERRUPTED = auto()
    """We are told to stop when the deed is done."""
    GUARD = auto()
    """The guard's time is up before the deed."""
    DEAD = auto()
    """We are killed before the deed; the guard lives."""
    DEAD_AFTER = auto()
    """We are killed after the deed; the guard lives."""
    ALL_DEAD = auto()
    """We and the guard are killed before the deed."""
    ALL_DEAD_AFTER = auto()
    """We and the guard are killed after the deed."""


DEATHS = {Fault.DEAD, Fault.DEAD_AFTER, Fault.ALL_DEAD, Fault.ALL_DEAD_AFTER}


class KilledError(BaseException):
    """What stands for kill -9 of the agent: from then on, none of its deeds has an effect."""


@dataclass
class Board:
    """Services and file systems, and the fault that they are up to."""

    services: dict[str, str]
    options: dict[bytes, str]
    unfreezable: set[int] = field(default_factory=set)
    frozen: set[int] = field(default_factory=set)
    fault: Fault | None = None
    at: int = -1
    steps: int = 0
    fired: bool = False
    is_dead: bool = False
    vigil: GuardProcess | None = None

    @contextmanager
    def step(self, failure: Exception) -> Iterator[None]:
        """Do one deed, or what goes wrong instead."""
        self._check_alive()
        self.steps += 1
        fault = self.fault if self.steps == self.at else None
        self.fired |= fault is not None
        if fault is Fault.GUARD and self.vigil is not None:
            self.vigil.expire()
        if fault is Fault.REFUSED:
            raise failure
        if fault in {Fault.DEAD, Fault.ALL_DEAD}:
            self._die()
        yield
        if fault in {Fault.DEAD_AFTER, Fault.ALL_DEAD_AFTER}:
            self._die()
        if fault is Fault.FAILED:
            raise failure
        if fault is Fault.INTERRUPTED:
            raise KeyboardInterrupt

    def _die(self) -> None:
        self.is_dead = True
        self._check_alive()

    def _check_alive(self) -> None:
        if self.is_dead:
            raise KilledError

    # What hooks and remounts see.

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        with self.step(CommandError(str(command), 1, b"deliberate")):
            return self._obey(list(command.argv)).encode()

    def _obey(self, words: list[str]) -> str:
        match words:
            case ["systemctl", "show", _, "--", unit]:
                active = "inactive" if self.services[unit] in {"off", "stopped"} else "active"
                freezer = "frozen" if self.services[unit] == "frozen" else "running"
                return f"LoadState=loaded\nActiveState={active}\nFreezerState={freezer}\n"
            case ["systemctl", "stop", "--", unit]:
                self.services[unit] = "stopped"
            case ["systemctl", "start", "--", unit]:
                self.services[unit] = "on"
            case ["systemctl", "freeze", "--", unit]:
                self.services[unit] = "frozen"
            case ["systemctl", "thaw", "--", unit]:
                self.services[unit] = "on"
            case ["docker", "container", "inspect", *_, name]:
                now = self.services[name]
                return f"{str(now != 'off').lower()} {str(now == 'paused').lower()}"
            case ["docker", "pause", name]:
                self.services[name] = "paused"
            case ["docker", "unpause", name]:
                self.services[name] = "on"
            case ["gauge", word, name]:
                self.services[name] = {"hold": "held", "go": "on"}[word]
            case ["mount", "-o", options, _, point]:
                self.options[os.fsencode(point)] = options.removeprefix("remount,")
            case _:
                pytest.fail(shlex.join(words))
        return ""

    def dialog(self, command: Command) -> AbstractContextManager[LineDialog]:
        pytest.fail(f"unannounced: {command}")

    # What freezing sees.

    def sync_file_system(self, handle: int) -> None:
        with self.step(OSError(errno.EIO, "deliberate")):
            pass

    def freeze(self, mount: int) -> None:
        with self.step(OSError(errno.EIO, "deliberate")):
            if mount in self.unfreezable:
                raise OSError(errno.EOPNOTSUPP, "unfreezable")
            if mount in self.frozen:
                raise OSError(errno.EBUSY, "frozen already")
            self.frozen.add(mount)

    def thaw(self, mount: int) -> None:
        with self.step(OSError(errno.EIO, "deliberate")):
            self.thaw_now(mount)

    def thaw_now(self, mount: int) -> None:
        if mount not in self.frozen:
            raise OSError(errno.EINVAL, "not frozen")
        self.frozen.discard(mount)


class Outside:
    """The kernel, as others than the agent see it."""

    def __init__(self, board: Board) -> None:
        self._board = board

    def thaw(self, mount: int) -> None:
        self._board.thaw_now(mount)


class ByPoint:
    """The kernel, for one who has just opened a mount point."""

    def __init__(self, board: Board, points: list[Path]) -> None:
        self._board = board
        self._inodes = {point.stat().st_ino: number for number, point in enumerate(points)}

    def thaw(self, mount: int) -> None:
        self._board.thaw_now(self._inodes[os.fstat(mount).st_ino])


def hook_for(name: str, how: HookHow, *, required: bool) -> Hook:
    command = how is HookHow.COMMAND
    return Hook(
        name=name, how=how, subject=name, required=required,
        quiesce=("gauge", "hold", name) if command else (),
        resume=("gauge", "go", name) if command else (),
        settings={"engine": "docker"} if how is HookHow.CONTAINER else {},
    )  # fmt: skip


@dataclass(frozen=True)
class Scene:
    """One board with its settings.

    Attributes:
        hooks: name of a service, how it is quieted, whether it is required.
        states: of the services in the beginning.
        unfreezable: numbers of the file systems that cannot be frozen, and are remounted.
    """

    hooks: tuple[tuple[HookHow, bool, str], ...]
    mounts: int
    unfreezable: frozenset[int]


@dataclass
class Run:
    """One pause of one scene in one directory."""

    scene: Scene
    home: Path

    def __post_init__(self) -> None:
        self.points = [self.home / f"m{number}" for number in range(self.scene.mounts)]
        for point in self.points:
            point.mkdir(exist_ok=True)
        (self.home / "journal").mkdir(exist_ok=True)
        self.settings = [
            hook_for(f"s{number}", how, required=required)
            for number, (how, required, _) in enumerate(self.scene.hooks)
        ]

    def board(self) -> Board:
        states = {f"s{number}": state for number, (_, _, state) in enumerate(self.scene.hooks)}
        options = {os.fsencode(point): "rw,relatime" for point in self.points}
        return Board(states, options, set(self.scene.unfreezable))

    def read_mounts(self, board: Board) -> list[Mount]:
        return [
            Mount((179, number), BoardPath(b"/"), BoardPath(os.fsencode(point)),
                  board.options[os.fsencode(point)], "ext4", "/dev/x")
            for number, point in enumerate(self.points)
        ]  # fmt: skip

    def pause(self, board: Board, undos: UndoLog) -> None:
        """Do what a run does, in a run's order."""
        clock = FakeClock()
        now = self.read_mounts(board)
        with ExitStack() as undo:
            undo.enter_context(
                hooks.quiet(self.settings, board, clock, undos, check_hook=lambda hook: None)
            )
            for number in sorted(self.scene.unfreezable):
                undo.enter_context(
                    read_only.made_read_only(
                        now[number], board, undos, read_mounts=lambda: self.read_mounts(board)
                    )
                )
            held = [HeldMount(mount, number) for number, mount in enumerate(now)]
            guard = undo.enter_context(fake_armed(board, held, clock, undos.directory))
            with freeze.frozen(guard):
                # A guard may let go of its own between the last freeze and here.
                frozen = {*range(self.scene.mounts)} - self.scene.unfreezable
                assert board.frozen == (set() if guard.fired else frozen)
                with board.step(HoldstillError("deliberate")):
                    pass  # reading

    def ladder(self, board: Board, undos: UndoLog) -> None:
        """Do what the end of the service, and the next run, do."""
        board.is_dead, board.fault = False, None
        everything = self.read_mounts(board)
        kernel = ByPoint(board, self.points)
        freeze.thaw_left_over(undos.directory / MARKS, everything, kernel=kernel)
        read_only.give_back_left_over(undos, board, read_mounts=lambda: self.read_mounts(board))
        hooks.resume_left_over(undos, board, FakeClock())


@contextmanager
def fake_armed(
    board: Board, held: list[HeldMount], clock: FakeClock, directory: Path
) -> Iterator[Guard]:
    """Arm a guard that acts in this process: at the end of the block, as at the agent's death."""
    marked = [FrozenFileSystem(h.mount.device, h.point.raw) for h in held]
    pipes = [*os.pipe(), *os.pipe()]
    handles = [h.handle for h in held]
    try:
        with freeze_state.on_tmpfs(directory / MARKS, marked) as shared:
            board.vigil = GuardProcess(
                handles, shared, pipes[0], pipes[0], Outside(board), patience=0.0
            )
            try:
                yield Guard(
                    tuple(held), shared, clock, 5.0, pipes[1], pipes[2], Protection(7), board
                )
            finally:
                if not (board.is_dead and board.fault in {Fault.ALL_DEAD, Fault.ALL_DEAD_AFTER}):
                    board.vigil.thaw_all_and_exit()
    finally:
        board.vigil = None
        for handle in pipes:
            os.close(handle)


def check_one(run: Run, fault: Fault, at: int) -> bool:
    """Let one thing go wrong; return whether it came to that."""
    board, untouched = run.board(), run.board()
    board.fault, board.at = fault, at
    for left in (run.home / "journal").iterdir():
        left.unlink()
    with undo_log.opened(run.home / "journal") as undos:
        with suppress(HoldstillError, OSError, KeyboardInterrupt, KilledError):
            run.pause(board, undos)
        if fault not in {Fault.ALL_DEAD, Fault.ALL_DEAD_AFTER}:
            assert board.frozen == set(), "the guard's promise"
        if fault in {Fault.REFUSED, Fault.FAILED, Fault.GUARD}:
            assert_as_before(board, untouched)  # without the ladder
        run.ladder(board, undos)
        assert_as_before(board, untouched)
        run.ladder(board, undos)  # which may be climbed twice
        assert_as_before(board, untouched)
        assert [path.name for path in undos.directory.iterdir()] == ["lock"]
    return board.fired


def assert_as_before(board: Board, untouched: Board) -> None:
    assert board.services == untouched.services
    assert board.frozen == set()
    for point, options in board.options.items():
        assert set(options.split(",")) == {"rw", "relatime"}, point


RICH = Scene(
    hooks=(
        (HookHow.COMMAND, True, "on"),
        (HookHow.STOP, True, "on"),
        (HookHow.STOP, False, "off"),
        (HookHow.FREEZE, False, "on"),
        (HookHow.FREEZE, True, "frozen"),
        (HookHow.CONTAINER, True, "on"),
        (HookHow.CONTAINER, False, "paused"),
    ),
    mounts=3,
    unfreezable=frozenset({0}),
)


@pytest.mark.parametrize("fault", Fault)
def test_at_every_step_of_a_rich_board(fault: Fault, tmp_path: Path) -> None:
    run = Run(RICH, tmp_path)
    steps = steps_without_fault(run)
    at = 1

    while check_one(run, fault, at):
        at += 1

    assert at > steps > 20  # the loop has been through all of them


def steps_without_fault(run: Run) -> int:
    board = run.board()
    with undo_log.opened(run.home / "journal") as undos:
        run.pause(board, undos)
    return board.steps


states = {
    HookHow.COMMAND: ["on"],
    HookHow.STOP: ["on", "off"],
    HookHow.FREEZE: ["on", "off", "frozen"],
    HookHow.CONTAINER: ["on", "off", "paused"],
}
some_hook = st.sampled_from(sorted(states)).flatmap(
    lambda how: st.tuples(st.just(how), st.booleans(), st.sampled_from(states[how]))
)
scenes = st.integers(1, 4).flatmap(
    lambda mounts: st.builds(
        Scene,
        hooks=st.lists(some_hook, max_size=4).map(tuple),
        mounts=st.just(mounts),
        unfreezable=st.frozensets(st.integers(0, mounts - 1)),
    )
)


@given(scenes, st.sampled_from(Fault), st.integers(1, 60))
@example(Scene(((HookHow.CONTAINER, False, "on"),), 2, frozenset({1})), Fault.GUARD, 7)
def test_at_any_step_of_any_board(scene: Scene, fault: Fault, at: int) -> None:
    with tempfile.TemporaryDirectory() as home:
        check_one(Run(scene, Path(home)), fault, at)


def test_without_a_fault_a_pause_succeeds(tmp_path: Path) -> None:
    run = Run(RICH, tmp_path)
    board = run.board()

    with undo_log.opened(tmp_path / "journal") as undos:
        run.pause(board, undos)

        assert_as_before(board, run.board())
        assert [path.name for path in undos.directory.iterdir()] == ["lock"]


def test_the_test_would_notice_a_service_that_stays_down(tmp_path: Path) -> None:
    run = Run(replace(RICH, hooks=((HookHow.STOP, True, "on"),)), tmp_path)
    board = run.board()
    board.services["s0"] = "stopped"

    with pytest.raises(AssertionError):
        assert_as_before(board, run.board())
