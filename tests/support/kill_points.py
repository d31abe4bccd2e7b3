"""A program that runs the command line again and again, and lets it kill itself at a named step.

    doomed.py

For each line of words on standard input, `STEP<tab>WORD<tab>WORD...`, it runs the command line in
a process of its own, forked so that nothing is imported twice. The answer is one line: the moment
of death on the monotonic clock (0: it lived), and its exit code. The real program runs, unchanged;
a profiler's hook (sys.setprofile) sees which of its functions begin and end.
"""

from __future__ import annotations

import importlib
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from types import FrameType

STEPS = {
    "the trace is begun": ("return", "board.block_trace", "_start"),
    "a piece of a followed file is read": ("return", "board.followed_file", "FollowedFile._read"),
    "before a look": ("call", "board.followed_files", "FollowedFiles.look"),
    "before a service is stopped": ("call", "board.hooks", "_quiesce"),
    "a service is stopped": ("return", "board.hooks", "_quiesce"),
    "before the guard is ready": ("call", "board.guard", "_await_ready"),
    "the guard is ready": ("return", "board.guard", "_await_ready"),
    "pieces are staged": ("return", "workflow.mounted_tree", "MountedTree.stage"),
    "written out": ("return", "board.freeze", "_write_out"),
    "before the freeze": ("call", "system.ioctl", "freeze"),
    "frozen": ("return", "system.ioctl", "freeze"),
    "the trace is asked in the pause": (
        "return",
        "board.followed_files",
        "FollowedFiles.look_frozen",
    ),
    "pieces are copied to memory": ("return", "board.spool", "Spool.copy_ranges"),
    "looking for what changed": (
        "return",
        "board.inode_table_detector",
        "InodeTableDetector.frozen_changes",
    ),
    "copying to memory": ("call", "board.spool", "Spool.copy"),
    "copied to memory": ("return", "workflow.mounted_tree", "MountedTree.collect_frozen"),
    "before the thaw": ("call", "system.ioctl", "thaw"),
    "thawed": ("return", "system.ioctl", "thaw"),
    "before a service is resumed": ("call", "board.hooks", "_resume"),
    "a service is resumed": ("return", "board.hooks", "_resume"),
    "sending the tail": ("call", "workflow.complete_contents", "complete"),
    "the tail is sent": ("return", "workflow.complete_contents", "complete"),
    "before the sealing": ("call", "workflow.seal_capture", "seal"),
    "sealed, not remembered": ("call", "workflow.seal_capture", "_save_state"),
}
"""Each named step of a pause, and what follows it: an event in a function of the product."""
LIVES = ""


class Death:
    """Kills this process when a function begins or ends; its forked copies live on."""

    def __init__(self, step: str, tell: int) -> None:
        self._event, self._module, self._function = STEPS[step]
        self._process = os.getpid()
        self._tell = tell

    def __call__(self, frame: FrameType, event: str, _: object) -> None:
        if event != self._event or frame.f_code.co_qualname != self._function:
            return
        module = str(frame.f_globals["__name__"])
        if module == f"holdstill.{self._module}" and os.getpid() == self._process:
            os.write(self._tell, b"%r" % time.monotonic())
            os.kill(self._process, signal.SIGKILL)


def run(step: str, words: list[str]) -> str:
    """Run the command line in a forked process; return when it died, and its exit code."""
    heard, tell = os.pipe2(os.O_CLOEXEC)
    child = os.fork()
    if not child:
        os.setsid()
        os.close(heard)
        os.dup2(2, 1)
        _become_holdstill(step, words, tell)
    os.close(tell)
    _, status = os.waitpid(child, 0)
    moment = os.read(heard, 100).decode()
    os.close(heard)
    return f"{moment or 0} {os.waitstatus_to_exitcode(status)}"


def _become_holdstill(step: str, words: list[str], tell: int) -> None:
    code = 70
    try:
        sys.argv = ["holdstill", *words]
        if step != LIVES:
            sys.setprofile(Death(step, tell))
        main.main()
    except SystemExit as end:
        code = int(end.code or 0)
    finally:
        os._exit(code)


class Agent:
    """The other end: asks for runs, and says how they ended."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def run(self, *words: str | Path, step: str = LIVES) -> tuple[float, int]:
        """Run the command line; return the moment of its death, or 0, and its exit code."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("\t".join([step, *map(str, words)]) + "\n")
        self._process.stdin.flush()
        moment, code = self._process.stdout.readline().split()
        return float(moment), int(code)


@contextmanager
def agent() -> Iterator[Agent]:
    """Hold the program ready for the length of the block."""
    with subprocess.Popen(
        [sys.executable, "-B", __file__],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        try:
            yield Agent(process)
        finally:
            process.kill()


if __name__ == "__main__":
    from holdstill.cli import main

    # A command is imported when it is used: here, before the first fork.
    importlib.import_module("holdstill.cli.capture")
    for line in sys.stdin:
        wanted, *all_words = line.rstrip("\n").split("\t")
        sys.stdout.write(run(wanted, all_words) + "\n")
        sys.stdout.flush()
