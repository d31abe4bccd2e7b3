"""Command lines of the product, each in a process of its own that has its modules loaded.

To start the program takes longer than most of what it is asked for. What is about starting it
(installed scripts, other interpreters, other users) starts it.
"""

from __future__ import annotations

import json
import os
import select
import signal
import socket
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

PROGRAM = Path(__file__).with_name("command_forker.py")


def attempt(words: Sequence[str], *, timeout: float) -> subprocess.CompletedProcess[bytes]:
    """Run a command line and return how it ended.

    Raises:
        TimeoutError: it did not end in time, and was killed.
    """
    asked = {"words": words, "environment": dict(os.environ), "folder": str(Path.cwd())}
    with ExitStack() as undo:
        out, said = (os.memfd_create(name) for name in ("out", "said"))
        answer, how = os.pipe()
        for handle in (out, said, answer):
            undo.callback(os.close, handle)
        try:
            _ask(json.dumps(asked).encode(), [out, said, how])
        finally:
            os.close(how)
        return subprocess.CompletedProcess(
            words, _ended(words, answer, timeout), _all_of(out), _all_of(said)
        )


class _Forker:
    """The process that forks; ends when it is closed."""

    def __init__(self) -> None:
        self.owner = os.getpid()
        self.asked, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with its:
            subprocess.run(
                [sys.executable, str(PROGRAM), str(its.fileno())],
                stdin=subprocess.DEVNULL,
                pass_fds=[its.fileno()],
                check=True,
            )

    def close(self) -> None:
        """End it."""
        self.asked.close()


_running: list[_Forker] = []


def _ask(asked: bytes, handles: list[int]) -> None:
    """Ask what forks, started once; another process has one of its own."""
    if not (_running and _running[-1].owner == os.getpid()):
        _running.append(_Forker())
    try:
        socket.send_fds(_running[-1].asked, [asked], handles)
    except BrokenPipeError:  # a test has killed more than its own
        _running.append(_Forker())
        socket.send_fds(_running[-1].asked, [asked], handles)


def end() -> None:
    """End what forks, if it was started here."""
    while _running:
        _running.pop().close()


def _ended(words: Sequence[str], answer: int, timeout: float) -> int:
    """Wait for the end of a process; return its exit code."""
    told, until = b"", time.monotonic() + timeout
    while told.count(b"\n") < 2:
        ready, _, _ = select.select([answer], [], [], max(0.0, until - time.monotonic()))
        if not ready:
            if told.count(b"\n"):
                os.kill(int(told.split()[0]), signal.SIGKILL)
            raise TimeoutError(f"{words}: not done in {timeout} s, and killed")
        more = os.read(answer, 100)
        assert more, f"{words}: nobody told how it ended"
        told += more
    return int(told.split()[1])


def _all_of(handle: int) -> bytes:
    return os.pread(handle, os.fstat(handle).st_size, 0)
