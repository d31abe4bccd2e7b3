"""kill -9 of a whole capture, while the board is held still."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from holdstill.board import freeze_state
from support import boards, held, kill_points, loop, programs, terminals, trace_instances
from support.boards import holdstill
from support.kill_points import Agent
from support.loop import MIB

KILLS = int(os.environ.get("HOLDSTILL_KILLS", "3"))
WITHIN = 1.0
"""Seconds until the guard must have thawed, counted from the death of the agent."""


FOLLOWED = 24 * MIB
"""Bytes of a file of which a pause takes only what changed."""


WRITER = """
import os, sys, time
handle = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT)
pages = int(sys.argv[2]) // 4096
os.ftruncate(handle, pages * 4096)
while True:
    os.pwrite(handle, os.urandom(4096), 4096 * (time.monotonic_ns() % pages))
    time.sleep(0.02)
"""
"""Keeps a large file dirty, so that the frozen span is long enough to be seen."""


@contextmanager
def a_large_file_is_written_to(path: Path, *, size: int = 96 * MIB) -> Iterator[None]:
    with subprocess.Popen([sys.executable, "-c", WRITER, path, str(size)]) as writer:
        try:
            yield
        finally:
            writer.kill()


@contextmanager
def filled(path: Path, size: int) -> Iterator[None]:
    """Let a file be there without holes: with many of them it would not be followed."""
    path.write_bytes(os.urandom(size))
    yield


def frozen_now(marked: Path) -> bool:
    """Whether the capture has frozen its file system, by the marks shared with its guard."""
    try:
        found, _ = freeze_state.left_over(marked)
    except (FileNotFoundError, ValueError):
        return False
    return found.count > 0 and found[0] is freeze_state.FreezeState.OURS


def kill_while_frozen(settings: Path, marked: Path) -> float:
    """Run a capture, kill it inside the frozen span, and return the moment of its death."""
    run = subprocess.Popen(
        [sys.executable, "-m", "holdstill", "capture", "--settings", settings],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    while not frozen_now(marked):
        assert run.poll() is None, "the capture ended before it was seen frozen"
    run.kill()
    run.wait()
    return time.monotonic()


@pytest.mark.timeout(240)
def test_a_capture_killed_while_frozen_leaves_a_board_that_writes_and_captures_again(
    tmp_path: Path,
) -> None:
    with (
        boards.running(tmp_path) as board,
        boards.kept(tmp_path, board) as kept,
        a_large_file_is_written_to(board.root / "large"),
    ):
        holdstill("capture", "--settings", kept.settings)
        spool = kept.spool
        for _ in range(KILLS):
            died = kill_while_frozen(kept.settings, spool / "frozen")
            (board.root / "probe").write_bytes(b"still writes")  # blocks as long as it is frozen
            stood_still = time.monotonic() - died

            assert stood_still < WITHIN
        holdstill("capture", "--settings", kept.settings)
        sealed = holdstill("list", "pier-3", "--store", kept.store, "--json")

    assert sealed.count(b'"faults": []') == 2
    assert not list(spool.glob("spool-*"))


SERVICE = """
import sys, time
number = 0
while True:
    number += 1
    with open(sys.argv[1], "w") as file:
        file.write(str(number))
    time.sleep(0.01)
"""
"""A service that the capture stops: it counts while it runs."""


@dataclass
class Pier:
    """A board with a service that every capture stops, and an agent that can be killed.

    Attributes:
        worst: the longest time that a write took after a death.
    """

    root: Path
    settings: Path
    store: Path
    counter: Path
    agent: Agent
    worst: float = 0.0

    def dies(self, step: str) -> None:
        """Kill a capture at a step, and see how soon the board writes again."""
        with loop.thaw_guard(self.root, seconds=30):  # longer than any of these runs
            died, code = self.agent.run("capture", "--settings", self.settings, step=step)
            assert code == -signal.SIGKILL, f"it did not come to this step: it ended with {code}"
            self.worst = max(self.worst, held.write_moment(self.root / "probe") - died)

    def recovers(self) -> None:
        """Do what systemd does when the service has ended, then capture again."""
        left = trace_instances.left_over()
        assert self.agent.run("resume", "--settings", self.settings) == (0, 0)
        assert self.counts()
        assert self.agent.run("capture", "--settings", self.settings) == (0, 0)
        assert self.counts()
        assert not left & trace_instances.left_over()

    def counts(self) -> bool:
        """Whether the service is at work."""
        before, deadline = self.counter.read_bytes(), time.monotonic() + 5
        while time.monotonic() < deadline:
            if self.counter.read_bytes() not in {before, b""}:
                return True
            time.sleep(0.01)
        return False


@pytest.fixture(scope="module")
def pier(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pier]:
    folder = tmp_path_factory.mktemp("pier")
    with (
        boards.running(folder, size=192 * MIB) as board,
        filled(board.root / "large", FOLLOWED),
        a_large_file_is_written_to(board.root / "large", size=FOLLOWED),
        subprocess.Popen([sys.executable, "-c", SERVICE, board.root / "counter"]) as service,
        kill_points.agent() as agent,
    ):
        hook = f"[{{name: counter, how: command, quiesce: [/bin/kill, -STOP, '{service.pid}'], "
        hook += f"resume: [/bin/kill, -CONT, '{service.pid}']}}]"
        with boards.kept_nearby(folder, board.root, more=f"hooks: {hook}\n") as kept:
            try:
                # From the second capture on the large file is followed.
                assert agent.run("capture", "--settings", kept.settings) == (0, 0)
                yield Pier(board.root, kept.settings, kept.store, board.root / "counter", agent)
            finally:
                loop.thaw(board.root)
                service.kill()


@pytest.mark.parametrize(
    "times", [1, pytest.param(20, marks=[pytest.mark.slow, pytest.mark.timeout(1800)])]
)
@pytest.mark.parametrize("step", kill_points.STEPS)
def test_killed_at_any_step_it_leaves_a_board_that_runs_and_captures_again(
    step: str, times: int, pier: Pier
) -> None:
    pier.worst = 0.0
    for _ in range(times):
        pier.dies(step)

        pier.recovers()
    print(f"{step}: {times} times, at most {pier.worst * 1000:.0f} ms")  # noqa: T201

    assert pier.worst < WITHIN


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_a_capture_that_is_told_to_stop_says_so_and_leaves_no_program_and_no_memory_behind(
    number: signal.Signals, tmp_path: Path
) -> None:
    with boards.running(tmp_path) as board, boards.kept(tmp_path, board) as kept:
        (board.root / "large").write_bytes(os.urandom(64 << 20))
        words: list[str | Path] = [sys.executable, "-m", "holdstill", "capture", "--settings"]
        with subprocess.Popen([*words, kept.settings], stderr=subprocess.PIPE) as run:
            while not list(kept.spool.glob("send-*")):
                assert run.poll() is None, "the capture ended before it sent anything"
            run.send_signal(number)
            said = run.communicate(timeout=30)[1]  # rsync would keep the pipe open
        left = sorted(path.name for path in kept.spool.iterdir())

    assert run.returncode == 128 + number
    assert b"interrupted; no capture was sealed, and nothing is held still" in said
    assert b"Traceback" not in said
    assert left == ["lock"]


ARRIVED = 24 << 20
"""Bytes that the keeper has when a capture of 64 MiB is interrupted."""


def arrived(store: Path) -> int:
    """Return the bytes of a store's files; some of them go meanwhile, of which du(1) complains."""
    return int(programs.attempt("du", "-sb", store).stdout.split()[0])


def test_ctrl_c_in_a_hot_round_leaves_nothing_and_the_next_capture_goes_on(
    tmp_path: Path,
) -> None:
    """Typed at a terminal, so that rsync and ssh get the signal as well."""
    with boards.running(tmp_path) as board, boards.kept(tmp_path, board) as kept:
        (board.root / "large").write_bytes(os.urandom(64 << 20))
        words = ("capture", "--settings", kept.settings)
        with terminals.in_the_foreground(*words) as (terminal, run):
            while arrived(kept.store) < ARRIVED:
                assert run.poll() is None, "the capture ended before it was interrupted"
                time.sleep(0.02)
            terminals.interrupt(terminal)
            terminal.to_the_end()
            code = run.wait(30)
        left = sorted(path.name for path in kept.spool.iterdir())
        (board.root / "probe").write_bytes(b"still writes")  # blocks if it is frozen
        of_its_session = programs.attempt("ps", "-o", "args=", "-s", str(run.pid)).stdout
        report = json.loads(holdstill(*words, "--json"))
        sealed = holdstill("list", "pier-3", "--store", kept.store, "--json")

    assert code == 128 + signal.SIGINT
    told = " ".join(terminal.said.split())
    assert told.count("interrupted; no capture was sealed, and nothing is held still") == 1
    assert "Traceback" not in told
    assert "rsync" not in told
    assert terminal.said.count("\x1b[?25l") <= terminal.said.count("\x1b[?25h")  # DEC mode 25
    assert left == ["lock"]
    assert of_its_session == b""
    assert sealed.count(b'"faults": []') == 1
    assert report["wire_bytes"] < (64 << 20) - ARRIVED // 2  # what had arrived is not sent again
