"""Starts every other program.

Programs are lists of arguments, never text for a shell; they get a fixed environment and locale,
an empty standard input unless one is given, and a timeout. The output of one that fails is in
the error.
"""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
import warnings
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, Self

from holdstill.errors import CommandError, PreflightError
from holdstill.system import debian_packages

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from pathlib import Path, PurePath
    from typing import IO, NoReturn

PLAIN_ENVIRONMENT = {
    "PATH": debian_packages.PATH,
    "LC_ALL": "C.UTF-8",
    "TZ": "UTC",
    "HOME": "/nonexistent",
}
"""The environment of programs: no user's settings or language, one time zone."""
OUTPUT_QUOTED = 2000
"""Bytes from the end of a failed program's output that its error repeats."""
_STDERR_KEPT = 8192
"""Bytes from the end of a failed program's standard error that go into the error."""


@dataclass(frozen=True)
class Command:
    """A program and its arguments; never text for a shell.

    Attributes:
        argv: the arguments.
        timeout: seconds until it is killed.
        accepted: exit codes that mean success.
        environment: additions to the plain environment, as pairs.
    """

    argv: tuple[str, ...]
    timeout: float = 60.0
    accepted: tuple[int, ...] = (0,)
    environment: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(
        cls,
        *words: str | PurePath,
        timeout: float = 60.0,
        accepted: tuple[int, ...] = (0,),
        environment: tuple[tuple[str, str], ...] = (),
    ) -> Self:
        """Build a command from separate arguments, none of them quoted."""
        return cls(tuple(os.fspath(word) for word in words), timeout, accepted, environment)

    def __str__(self) -> str:
        return shlex.join(self.argv)


class Runner(Protocol):
    """A machine that runs commands."""

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        """Return the command's standard output; raise CommandError if it failed."""


class LocalRunner:
    """Run commands on this machine."""

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        """Return the command's standard output.

        Raises:
            CommandError: it could not be started, failed, or ran out of time.
        """
        try:
            done = subprocess.run(
                command.argv,
                input=stdin,
                capture_output=True,
                timeout=command.timeout,
                env=PLAIN_ENVIRONMENT | dict(command.environment),
                cwd="/",
                check=False,
            )
        except FileNotFoundError as error:
            raise not_installed(command) from error
        except subprocess.TimeoutExpired as error:
            words = b"no end after %d s" % command.timeout
            raise CommandError(str(command), 124, words) from error
        if done.returncode not in command.accepted:
            # Some, such as e2fsck, report errors on standard output.
            words = done.stderr + done.stdout[-OUTPUT_QUOTED:]
            raise CommandError(str(command), done.returncode, words)
        return done.stdout

    @contextmanager
    def running(self, command: Command, *, output: Path) -> Iterator[Running]:
        """Run a command in the background, its output going to a file; killed after the block.

        Raises:
            CommandError: it could not be started.
        """
        with output.open("wb") as log:
            try:
                child = subprocess.Popen(
                    command.argv,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    env=PLAIN_ENVIRONMENT | dict(command.environment),
                    cwd="/",
                )
            except FileNotFoundError as error:
                raise not_installed(command) from error
        with child:
            try:
                yield Running(child)
            finally:
                child.kill()


class Running:
    """A program in the background."""

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self._child = child

    def status(self) -> int | None:
        """Return the exit code; None while it runs."""
        return self._child.poll()


def require(*programs: str) -> None:
    """Check that programs are installed.

    Raises:
        PreflightError: lists all that are missing.
    """
    if missing := debian_packages.missing(programs):
        raise PreflightError(
            f"missing programs: {', '.join(missing)}",
            hint=debian_packages.how_to_install(missing),
        )


def not_installed(command: Command) -> CommandError:
    """Return the error of a command whose program is not installed."""
    program = command.argv[0]
    return CommandError(
        str(command), 127, b"no such program", hint=debian_packages.how_to_install([program])
    )


@contextmanager
def streaming(command: Command, *, stdin: int = subprocess.DEVNULL) -> Iterator[IO[bytes]]:
    """Run a command and read its standard output while it runs.

    Leaving the block waits for the command to end; an exception kills it. stdin is a descriptor
    that it reads from; without one there is nothing to read.

    Raises:
        CommandError: it failed.
    """
    # Standard error goes to memory, not to a pipe: it is read only after the output ends, and a
    # full pipe would block the command for ever.
    with (
        os.fdopen(os.memfd_create("errors"), "wb") as errors,
        _piped(command, errors, stdin) as child,
    ):
        assert child.stdout is not None  # noqa: S101  PIPE was asked for
        try:
            yield child.stdout
            status = child.wait(timeout=command.timeout)
        except BaseException:
            child.kill()
            raise
        if status not in command.accepted:
            size = os.fstat(errors.fileno()).st_size
            words = os.pread(errors.fileno(), _STDERR_KEPT, max(0, size - _STDERR_KEPT))
            raise CommandError(str(command), status, words)


def _piped(command: Command, errors: IO[bytes], stdin: int) -> subprocess.Popen[bytes]:
    """Start a command whose standard output is read here."""
    try:
        return subprocess.Popen(
            command.argv,
            stdin=stdin,
            stdout=subprocess.PIPE,
            stderr=errors,
            env=PLAIN_ENVIRONMENT | dict(command.environment),
            cwd="/",
        )
    except FileNotFoundError as error:
        raise not_installed(command) from error


class Background:
    """A program in the background that leads its own session."""

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self._child = child

    @property
    def has_ended(self) -> bool:
        """Whether it has ended by itself."""
        return self._child.poll() is not None

    @property
    def pid(self) -> int:
        """Its process id, which is also that of its process group."""
        return self._child.pid

    def end(self) -> None:
        """Terminate its process group, by SIGKILL after 5 s; no error if it has ended."""
        for number in (signal.SIGTERM, signal.SIGKILL):
            with suppress(ProcessLookupError):
                os.killpg(self._child.pid, number)
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(timeout=5)
                return


_TIED = 'exec 3<&0; (read -r _ <&3; kill $$) & exec "$@" 3<&- </dev/null'
"""Runs a program until the standard input ends, which it does with whoever holds the other end."""


@contextmanager
def background(command: Command, *, log: Path, is_tied: bool = False) -> Iterator[Background]:
    """Run a command for the length of the block; its output goes to a log.

    It leads a session of its own, so that an interrupt at the terminal reaches us only, and we
    end it in order. The command's timeout and accepted exit codes are not used.

    Args:
        command: what to run.
        log: a new file.
        is_tied: whether it ends with this process, also when that is killed.
    """
    tie = ("sh", "-c", _TIED, "sh") if is_tied else ()
    with log.open("wb") as output:
        child = subprocess.Popen(
            (*tie, *command.argv),
            stdin=subprocess.PIPE if is_tied else subprocess.DEVNULL,
            stdout=output,
            stderr=output,
            env=PLAIN_ENVIRONMENT | dict(command.environment),
            cwd="/",
            start_new_session=True,
        )
    running = Background(child)
    try:
        yield running
    finally:
        running.end()
        if child.stdin is not None:
            child.stdin.close()


def become(command: Command) -> NoReturn:
    """Replace this process by the command, keeping standard input, output and error."""
    environment = PLAIN_ENVIRONMENT | dict(command.environment)
    os.execvpe(command.argv[0], command.argv, environment)  # noqa: S606  no shell wanted


def start_again(*through: str, environment: Mapping[str, str]) -> NoReturn:
    """Replace this process by a new one with the same command line, started through a program.

    Python's own words stay, and so do the standard files; environment is all that it gets.
    """
    words = (*through, sys.executable, *sys.orig_argv[1:])
    program = shutil.which(words[0], path=PLAIN_ENVIRONMENT["PATH"]) or words[0]
    os.execve(program, words, environment)  # noqa: S606  no shell wanted


def keep_only(handles: Iterable[int]) -> None:
    """Close every other descriptor of this process; 0, 1 and 2 become /dev/null."""
    kept = set(handles)
    for name in os.listdir("/proc/self/fd"):  # noqa: PTH208  bare names are what is wanted
        if int(name) not in kept:
            with suppress(OSError):  # the listing's own descriptor is gone already
                os.close(int(name))
    null = os.open(os.devnull, os.O_RDWR)
    for standard in {0, 1, 2} - kept - {null}:
        os.dup2(null, standard)


def fork_child(work: Callable[[], None]) -> int:
    """Run work in a forked child; return its pid. The child never returns.

    Other threads are not copied, but the locks they hold are: work must not log, import or print.
    """
    with warnings.catch_warnings():
        # Python 3.12 and later warn of locks that other threads hold; work takes none.
        warnings.simplefilter("ignore", DeprecationWarning)
        pid = os.fork()
    if pid:
        return pid
    status = 70
    try:
        work()
        status = 0
    finally:
        os._exit(status)
