"""kill -9 of a whole capture, while the board is held still."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from holdstill.board import marks
from support import boards
from support.boards import holdstill

KILLS = int(os.environ.get("HOLDSTILL_KILLS", "3"))
WITHIN = 1.0
"""Seconds until the guard must have thawed, counted from the death of the agent."""


WRITER = """
import os, sys, time
handle = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT)
os.ftruncate(handle, 96 << 20)
while True:
    os.pwrite(handle, os.urandom(4096), 4096 * (time.monotonic_ns() % 24_000))
    time.sleep(0.02)
"""
"""Keeps a large file dirty, so that the frozen span is long enough to be seen."""


@contextmanager
def a_large_file_is_written_to(path: Path) -> Iterator[None]:
    with subprocess.Popen([sys.executable, "-c", WRITER, path]) as writer:
        try:
            yield
        finally:
            writer.kill()


def frozen_now(marked: Path) -> bool:
    """Whether the capture has frozen its file system, by the marks shared with its guard."""
    try:
        found, _ = marks.left_over(marked)
    except (FileNotFoundError, ValueError):
        return False
    return found.count > 0 and found[0] is marks.State.OURS


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
    assert b"interrupted" in said
    assert b"Traceback" not in said
    assert left == ["lock"]
