"""Programs that may misbehave: hooks, and the clients of other people's services.

A second leaf of the one door (`system.process`). Each program gets a process group of its own, a
deadline that it cannot outlive, and memory for what it says that it cannot outgrow. Nothing here
waits for a pipe to close, since a grandchild may hold it open for ever.
"""

from __future__ import annotations

import fcntl
import os
import select
import signal
import subprocess
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.errors import CommandError
from holdstill.system.process import PLAIN_ENVIRONMENT

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import IO

    from holdstill.system.process import Command

GRACE = 5.0
"""Seconds between SIGTERM and SIGKILL."""
OUTPUT_LIMIT = 64 << 10
"""Bytes of each of the two outputs; a program that says more gets an error from write(2)."""
_LAST_WAIT = 2.0
_TICK = 0.01


class BoundedRunner:
    """Run commands on this machine, each in a process group that ends on time."""

    def __init__(self, *, grace: float = GRACE, output_limit: int = OUTPUT_LIMIT) -> None:
        self.grace = grace
        self.output_limit = output_limit

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        """Return what the command wrote.

        What it leaves running in the background goes on, unless it was out of time.

        Raises:
            CommandError: it could not be started, failed, or ran out of time.
        """
        with (
            _given(stdin) as given,
            _bounded_memory(self.output_limit) as said,
            _bounded_memory(self.output_limit) as complained,
        ):
            child = _start(command, given, said, complained)
            if not self._ends(child, command.timeout):
                words = b"no end after %g s; it was stopped" % command.timeout
                raise CommandError(str(command), 124, words)
            output, complaint = _read_back(said), _read_back(complained)
            if child.returncode not in command.accepted:
                raise CommandError(str(command), child.returncode, complaint or output)
            return output

    def _ends(self, child: subprocess.Popen[bytes], seconds: float) -> bool:
        """Wait for a child; stop its whole group when the time is up, or we are interrupted."""
        in_time = False
        try:
            in_time = _has_ended(child.pid, seconds)
        finally:
            if not in_time:
                _stop_group(child.pid, self.grace)
            _reap(child)
        return in_time

    @contextmanager
    def talking(self, command: Command) -> Iterator[RunningDialog]:
        """Keep a command running for the length of the block, and talk to it in lines.

        Raises:
            CommandError: it could not be started.
        """
        with _bounded_memory(self.output_limit) as complained:
            child = _start(command, subprocess.PIPE, subprocess.PIPE, complained)
            assert child.stdin is not None  # noqa: S101  PIPE was asked for
            assert child.stdout is not None  # noqa: S101
            try:
                yield RunningDialog(command, child.stdin, child.stdout, complained)
            finally:
                with suppress(BrokenPipeError):
                    child.stdin.close()
                self._ends(child, self.grace)
                child.stdout.close()


class RunningDialog:
    """A running program that answers lines with lines."""

    def __init__(
        self, command: Command, stdin: IO[bytes], stdout: IO[bytes], complained: int
    ) -> None:
        self._command = command
        self._stdin = stdin
        self._stdout = stdout.fileno()
        self._complained = complained
        self._pending = b""

    def ask(self, words: str, *, until: str, seconds: float) -> str:
        """Say something; return what comes back before the line `until`.

        Raises:
            CommandError: the program has ended, or does not answer in time.
        """
        try:
            self._stdin.write(words.encode())
            self._stdin.flush()
        except BrokenPipeError as error:
            raise self._failure(b"it has ended") from error
        return self._answer(until.encode(), time.monotonic() + seconds)

    def _answer(self, until: bytes, deadline: float) -> str:
        lines: list[bytes] = []
        while True:
            line, found, rest = self._pending.partition(b"\n")
            if not found:
                self._pending += self._more(deadline)
                continue
            self._pending = rest
            if line == until:
                return b"\n".join(lines).decode(errors="backslashreplace")
            lines.append(line)

    def _more(self, deadline: float) -> bytes:
        if not _readable(self._stdout, max(0.0, deadline - time.monotonic())):
            raise self._failure(b"no answer in time")
        more = os.read(self._stdout, 1 << 16)
        if not more:
            raise self._failure(b"it has ended")
        return more

    def _failure(self, what: bytes) -> CommandError:
        return CommandError(str(self._command), 1, _read_back(self._complained) or what)


def _start(command: Command, stdin: int, stdout: int, stderr: int) -> subprocess.Popen[bytes]:
    try:
        return subprocess.Popen(
            command.argv,
            stdin=stdin,
            stdout=stdout,
            stderr=stderr,
            env=PLAIN_ENVIRONMENT | dict(command.environment),
            cwd="/",
            start_new_session=True,
        )
    except OSError as error:
        words = (error.strerror or "").encode()
        hint = f"install {command.argv[0]}" if isinstance(error, FileNotFoundError) else ""
        raise CommandError(str(command), 127, words, hint=hint) from error


@contextmanager
def _bounded_memory(size: int) -> Iterator[int]:
    """Hold a file in memory that cannot grow beyond its size, whoever writes to it."""
    handle = os.memfd_create("output", os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING)
    try:
        os.ftruncate(handle, size)
        fcntl.fcntl(handle, fcntl.F_ADD_SEALS, fcntl.F_SEAL_GROW | fcntl.F_SEAL_SHRINK)
        yield handle
    finally:
        os.close(handle)


def _read_back(handle: int) -> bytes:
    """Return what was written: the writers' position is ours, since the descriptor is shared."""
    return os.pread(handle, os.lseek(handle, 0, os.SEEK_CUR), 0)


@contextmanager
def _given(stdin: bytes) -> Iterator[int]:
    """Hold a descriptor open that a program can read this from."""
    if stdin:
        handle = os.memfd_create("input", os.MFD_CLOEXEC)
    else:
        handle = os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC)
    try:
        if stdin:
            os.write(handle, stdin)
            os.lseek(handle, 0, os.SEEK_SET)
        yield handle
    finally:
        os.close(handle)


def _readable(handle: int, seconds: float) -> bool:
    poll = select.poll()
    poll.register(handle, select.POLLIN)
    return bool(poll.poll(seconds * 1000))


def _has_ended(pid: int, seconds: float) -> bool:
    """Wait for a child to end, without reaping it: until then its group's number is its own."""
    try:
        handle = os.pidfd_open(pid)
    except OSError:  # kernels before 5.3
        return _has_ended_by_asking(pid, seconds)
    try:
        return _readable(handle, seconds)
    finally:
        os.close(handle)


def _has_ended_by_asking(pid: int, seconds: float) -> bool:
    deadline = time.monotonic() + seconds
    while os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT | os.WNOHANG) is None:
        if time.monotonic() > deadline:
            return False
        time.sleep(_TICK)
    return True


def _stop_group(pid: int, grace: float) -> None:
    """End a process group: ask, wait, insist."""
    _signal_group(pid, signal.SIGTERM)
    _has_ended(pid, grace)
    _signal_group(pid, signal.SIGKILL)  # also those of the group that outlived its leader


def _signal_group(pid: int, number: signal.Signals) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, number)


def _reap(child: subprocess.Popen[bytes]) -> None:
    # One that sleeps in the kernel cannot be killed; it is not worth a hanging agent.
    if _has_ended(child.pid, _LAST_WAIT):
        child.wait()
