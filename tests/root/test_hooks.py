"""Hooks on a real machine: programs that misbehave, runs that are killed, files of others."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.board import hooks, tmpfs, undo_log
from holdstill.errors import BusyError, PauseError, SecurityError
from holdstill.model.settings import Hook, HookHow
from holdstill.system.clocks import SystemClock
from holdstill.system.time_limited import BoundedRunner

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.undo_log import UndoLog

QUIETER = Path(__file__).parents[1] / "support" / "quiesce_process.py"
RUNNER = BoundedRunner(grace=0.3)
NAMES = ["gauge", "display", "broker"]


@pytest.fixture
def memory() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as directory:
        yield Path(directory)


@pytest.fixture
def undos(memory: Path) -> Iterator[UndoLog]:
    with undo_log.opened(memory) as mine:
        yield mine


def shell(name: str, quiesce: str, resume: str = "", *, timeout: float = 5.0) -> Hook:
    return Hook(
        name=name, how=HookHow.COMMAND, timeout=timeout,
        quiesce=("/bin/sh", "-c", quiesce), resume=("/bin/sh", "-c", resume) if resume else (),
    )  # fmt: skip


def test_c5_hook_fails_as_the_second_of_three(undos: UndoLog, tmp_path: Path) -> None:
    log = tmp_path / "log"
    some = [
        shell("1", f"echo hold 1 >>{log}", f"echo go 1 >>{log}"),
        shell("2", f"echo hold 2 >>{log}; exit 1", f"echo go 2 >>{log}"),
        shell("3", f"echo hold 3 >>{log}", f"echo go 3 >>{log}"),
    ]

    with (
        pytest.raises(PauseError, match="hook 2"),
        hooks.quiet(some, RUNNER, SystemClock(), undos),
    ):
        pytest.fail("the pause went on")

    assert log.read_text(encoding="utf-8").splitlines() == ["hold 1", "hold 2", "go 2", "go 1"]


@pytest.mark.parametrize(
    "script",
    [
        "sleep 600",
        "trap '' TERM; while :; do sleep 0.05; done",
        "trap '' TERM; sh -c 'trap \"\" TERM; while :; do sleep 0.05; done' & wait",
        "yes",
    ],
)
def test_c5_hook_hangs_and_is_bounded_and_undone(
    script: str, undos: UndoLog, tmp_path: Path
) -> None:
    started = time.monotonic()
    some = [shell("stuck", script, f"touch {tmp_path}/resumed", timeout=0.3)]

    with pytest.raises(PauseError, match="stuck"), hooks.quiet(some, RUNNER, SystemClock(), undos):
        pytest.fail("the pause went on")

    assert time.monotonic() - started < 5
    assert (tmp_path / "resumed").exists()


def test_c8_hook_hangs_in_its_resume_and_the_others_are_resumed_all_the_same(
    undos: UndoLog, tmp_path: Path
) -> None:
    started = time.monotonic()
    some = [
        shell("first", "true", f"touch {tmp_path}/resumed"),
        shell("stuck", "true", "trap '' TERM; while :; do sleep 0.05; done", timeout=0.3),
    ]

    with hooks.quiet(some, RUNNER, SystemClock(), undos) as report:
        pass

    assert time.monotonic() - started < 10
    assert (tmp_path / "resumed").exists()
    assert any("stuck" in problem for problem in report.problems)
    assert len(undos.pending(hooks.KIND)) == 1  # so that the next run tries again


def test_a_hook_that_leaves_a_child_with_its_output_open_keeps_nobody_waiting(
    undos: UndoLog,
) -> None:
    started = time.monotonic()
    some = [shell("daemon", "sleep 3 & echo started")]

    with hooks.quiet(some, RUNNER, SystemClock(), undos) as report:
        pass

    assert report.quieted == ["daemon"]
    assert time.monotonic() - started < 2


@contextmanager
def quieter(memory: Path, services: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Run the program that keeps services quiet, until it says that they are."""
    words: list[str | Path] = [sys.executable, QUIETER, memory, services, *NAMES]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"quiet\n"
        yield process
        process.kill()


@pytest.fixture
def services(tmp_path: Path) -> Path:
    (tmp_path / "services").mkdir()
    for name in NAMES:
        (tmp_path / "services" / name).touch()
    return tmp_path / "services"


def running(services: Path) -> list[str]:
    return sorted(path.name for path in services.iterdir())


def test_c5_stale_lock_what_a_killed_run_left_quiet_is_resumed_by_the_next(
    memory: Path, services: Path
) -> None:
    with quieter(memory, services) as run:
        during = running(services)
        run.kill()
        run.wait(timeout=5)

        with undo_log.opened(memory) as mine:
            resumed = hooks.resume_left_over(mine, RUNNER, SystemClock())
            again = hooks.resume_left_over(mine, RUNNER, SystemClock())

    assert during == []
    assert resumed == tuple(reversed(NAMES))
    assert again == ()
    assert running(services) == sorted(NAMES)


def test_a_living_run_is_not_interfered_with(memory: Path, services: Path) -> None:
    with (
        quieter(memory, services),
        pytest.raises(BusyError),
        undo_log.opened(memory),
    ):
        pytest.fail("two runs at once")


def test_the_guards_of_a_dead_run_do_not_hold_its_lock(memory: Path, services: Path) -> None:
    with quieter(memory, services) as run:
        run.kill()
        run.wait(timeout=5)

        with undo_log.opened(memory):
            pass


@pytest.fixture
def place() -> Iterator[Path]:
    """Give a directory with nobody else's hands on the way: /tmp is open to all."""
    with tempfile.TemporaryDirectory(dir="/var/lib", prefix="hs-") as directory:
        yield Path(directory)


def hook_of(program: Path) -> Hook:
    return Hook(name="gauge", how=HookHow.COMMAND, quiesce=(str(program), "hold"))


def program_in(place: Path) -> Path:
    program = place / "gauge"
    program.write_text("#!/bin/sh\nexit 0\n", encoding="ascii")
    program.chmod(0o755)
    return program


def test_a_hook_of_roots_own_runs(place: Path, undos: UndoLog) -> None:
    with hooks.quiet([hook_of(program_in(place))], RUNNER, SystemClock(), undos) as report:
        pass

    assert report.quieted == ["gauge"]


def test_a_hook_that_others_may_change_does_not(place: Path, tmp_path: Path) -> None:
    program = program_in(place)
    program.chmod(0o775)
    with pytest.raises(SecurityError, match="gauge"):
        hooks.check([hook_of(program)], [])

    program.chmod(0o755)
    os.chown(place, 65534, 65534)
    with pytest.raises(SecurityError, match="65534"):
        hooks.check([hook_of(program)], [])

    everybodys = tmp_path / "everybody's"  # as /tmp usually is, and may not be
    everybodys.mkdir()
    everybodys.chmod(0o777)
    with pytest.raises(SecurityError, match="others than root"):
        hooks.check([hook_of(program_in(everybodys))], [])


class TestMemory:
    def test_a_tmpfs_is_taken(self, memory: Path) -> None:
        place = tmpfs.choose(memory / "holdstill")

        assert place == memory / "holdstill"
        assert place.stat().st_mode & 0o777 == 0o700

    def test_a_disk_is_not(self, tmp_path: Path, memory: Path) -> None:
        place = tmpfs.choose(tmp_path / "holdstill", others=[memory / "holdstill"])

        assert place == memory / "holdstill"

    def test_a_directory_that_somebody_else_made_is_refused(self, memory: Path) -> None:
        (memory / "holdstill").mkdir()
        os.chown(memory / "holdstill", 65534, 65534)

        with pytest.raises(SecurityError, match="somebody else"):
            tmpfs.choose(memory / "holdstill")

    def test_a_link_is_refused(self, memory: Path, tmp_path: Path) -> None:
        (memory / "holdstill").symlink_to(tmp_path)

        with pytest.raises(SecurityError, match="no directory"):
            tmpfs.choose(memory / "holdstill")
