"""Programs that may misbehave: hooks, and clients of other services.

Each gets a process group of its own, a deadline after which the whole group is killed, and a
limit on its output. Nothing here waits for a pipe to close, since a grandchild may hold it open
for ever. Only this module and `system.process` start programs.
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
from holdstill.system.process import PLAIN_ENVIRONMENT, not_installed

if TYPE_CHECKING:
    from collections.abc import Iterator
    from typing import IO

    from holdstill.system.process import Command

GRACE = 5.0
"""Seconds between SIGTERM and SIGKILL."""
OUTPUT_LIMIT = 64 << 10
"""Bytes of standard output and of standard error; beyond it, write(2) fails with EPERM."""
_LAST_WAIT = 2.0
_TICK = 0.01


class BoundedRunner:
    """Runs commands on this machine, each in a process group that ends on time."""

    def __init__(self, *, grace: float = GRACE, output_limit: int = OUTPUT_LIMIT) -> None:
        self.grace = grace
        self.output_limit = output_limit

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        """Return the command's standard output.

        Processes that it leaves in the background live on, unless it ran out of time.

        Raises:
            CommandError: it could not be started, failed, or ran out of time.
        """
        with (
            _input_file(stdin) as given,
            _bounded_memory(self.output_limit) as stdout,
            _bounded_memory(self.output_limit) as stderr,
        ):
            child = _start(command, given, stdout, stderr)
            if not self._ends(child, command.timeout):
                words = b"no end after %g s; it was stopped" % command.timeout
                raise CommandError(str(command), 124, words)
            output, errors = _read_back(stdout), _read_back(stderr)
            if child.returncode not in command.accepted:
                raise CommandError(str(command), child.returncode, errors or output)
            return output

    def _ends(self, child: subprocess.Popen[bytes], seconds: float) -> bool:
        """Wait for a child; kill its whole group when the time is up, or we are interrupted."""
        in_time = False
        try:
            in_time = _has_ended(child.pid, seconds)
        finally:
            if not in_time:
                _signal_group(child.pid, signal.SIGTERM)
                _has_ended(child.pid, self.grace)
                # Also those of the group that outlived its leader.
                _signal_group(child.pid, signal.SIGKILL)
            # One that sleeps in the kernel cannot be killed; it is not worth a hanging agent.
            if _has_ended(child.pid, _LAST_WAIT):
                child.wait()
        return in_time

    @contextmanager
    def dialog(self, command: Command) -> Iterator[RunningDialog]:
        """Run a command for the length of the block, with a dialog in lines over its pipes.

        Raises:
            CommandError: it could not be started.
        """
        with _bounded_memory(self.output_limit) as stderr:
            child = _start(command, subprocess.PIPE, subprocess.PIPE, stderr)
            assert child.stdin is not None  # noqa: S101  PIPE was asked for
            assert child.stdout is not None  # noqa: S101
            try:
                yield RunningDialog(command, child.stdin, child.stdout, stderr)
            finally:
                with suppress(BrokenPipeError):
                    child.stdin.close()
                self._ends(child, self.grace)
                child.stdout.close()


class RunningDialog:
    """A dialog in lines with a running program."""

    def __init__(self, command: Command, stdin: IO[bytes], stdout: IO[bytes], stderr: int) -> None:
        self._command = command
        self._stdin = stdin
        self._stdout = stdout.fileno()
        self._stderr = stderr
        self._pending = b""

    def ask(self, text: str, *, until: str, seconds: float) -> str:
        """Send text; return the lines of output before the line `until`.

        Raises:
            CommandError: the program has ended, or the line did not come in time.
        """
        try:
            self._stdin.write(text.encode())
            self._stdin.flush()
        except BrokenPipeError as error:
            raise self._failure(b"it has ended") from error
        deadline = time.monotonic() + seconds
        lines: list[bytes] = []
        while True:
            line, found, rest = self._pending.partition(b"\n")
            if not found:
                if not _readable(self._stdout, max(0.0, deadline - time.monotonic())):
                    raise self._failure(b"no answer in time")
                more = os.read(self._stdout, 1 << 16)
                if not more:
                    raise self._failure(b"it has ended")
                read_more = more
                self._pending += read_more
                continue
            self._pending = rest
            if line == until.encode():
                return b"\n".join(lines).decode(errors="backslashreplace")
            lines.append(line)

    def _failure(self, what: bytes) -> CommandError:
        return CommandError(str(self._command), 1, _read_back(self._stderr) or what)


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
    except FileNotFoundError as error:
        raise not_installed(command) from error
    except OSError as error:
        raise CommandError(str(command), 127, (error.strerror or "").encode()) from error


@contextmanager
def _bounded_memory(size: int) -> Iterator[int]:
    """Hold a file in memory that is sealed against growing beyond its size."""
    handle = os.memfd_create("output", os.MFD_CLOEXEC | os.MFD_ALLOW_SEALING)
    try:
        os.ftruncate(handle, size)
        fcntl.fcntl(handle, fcntl.F_ADD_SEALS, fcntl.F_SEAL_GROW | fcntl.F_SEAL_SHRINK)
        yield handle
    finally:
        os.close(handle)


def _read_back(handle: int) -> bytes:
    """Return what was written: up to our own position, which the writers share with us."""
    return os.pread(handle, os.lseek(handle, 0, os.SEEK_CUR), 0)


@contextmanager
def _input_file(stdin: bytes) -> Iterator[int]:
    """Hold a descriptor open from which a program can read these bytes."""
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
    """Wait for a child to end, without reaping it: until then its group's number is not reused."""
    try:
        handle = os.pidfd_open(pid)
    except OSError:  # kernels before 5.3
        deadline = time.monotonic() + seconds
        while os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT | os.WNOHANG) is None:
            if time.monotonic() > deadline:
                return False
            time.sleep(_TICK)
        return True
    try:
        return _readable(handle, seconds)
    finally:
        os.close(handle)


def _signal_group(pid: int, number: signal.Signals) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(pid, number)
