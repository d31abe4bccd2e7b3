"""Sockets to listen at: a loopback port, a Unix socket, or what systemd hands over."""

from __future__ import annotations

import errno
import os
import socket
import stat
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from holdstill.errors import BusyError, MachineError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

FIRST = 3
"""The first descriptor that systemd hands over (sd_listen_fds(3), SD_LISTEN_FDS_START)."""
_WAITING = 128


@contextmanager
def at_port(port: int) -> Iterator[socket.socket]:
    """Hold a socket at a port of this machine's loopback address; 0 for any that is free.

    Raises:
        BusyError: somebody listens there.
        MachineError: it is not to be had.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as made:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            made.bind(("127.0.0.1", port))
        except OSError as error:
            kind = BusyError if error.errno == errno.EADDRINUSE else MachineError
            raise kind(
                f"cannot listen at port {port} of 127.0.0.1: {error.strerror}",
                hint="name another one with --port",
            ) from error
        made.listen(_WAITING)
        yield made


@contextmanager
def at_path(path: Path, kind: int = socket.SOCK_STREAM) -> Iterator[socket.socket]:
    """Hold a Unix socket for this user and group; one that nobody listens at any more goes.

    Raises:
        BusyError: somebody listens there.
        UsageError: something else is there.
        MachineError: it is not to be had.
    """
    _make_way(path, kind)
    with socket.socket(socket.AF_UNIX, kind) as made:
        before = os.umask(0o117)
        try:
            made.bind(os.fspath(path))
        except OSError as error:
            raise MachineError(
                f"cannot listen at {path}: {error.strerror}",
                hint="name a path with --socket in a folder that is there, and that this user may "
                "write to",
            ) from error
        finally:
            os.umask(before)
        try:
            made.listen(_WAITING)
            yield made
        finally:
            path.unlink(missing_ok=True)


def _make_way(path: Path, kind: int) -> None:
    if not os.path.lexists(path):
        return
    if not stat.S_ISSOCK(path.lstat().st_mode):
        raise UsageError(f"{path} is no socket", hint="name another path with --socket")
    with socket.socket(socket.AF_UNIX, kind) as asking:
        try:
            asking.connect(os.fspath(path))
        except ConnectionRefusedError:
            with suppress(FileNotFoundError):
                path.unlink()
        else:
            raise BusyError(
                f"somebody listens at {path} already", hint="name another path with --socket"
            )


def handed_over(environment: Mapping[str, str] = os.environ) -> tuple[socket.socket, ...]:
    """Return the sockets that systemd listens at for this process; none without it.

    The variables are those of sd_listen_fds(3).
    """
    count = environment.get("LISTEN_FDS", "")
    if environment.get("LISTEN_PID") != str(os.getpid()) or not count.isdecimal():
        return ()
    numbers = range(FIRST, FIRST + int(count))
    for number in numbers:
        os.set_inheritable(number, False)  # noqa: FBT003  it takes no keyword
    return tuple(socket.socket(fileno=number) for number in numbers)
