"""Forked worker processes, so that work does not wait for this process's interpreter lock.

A worker is a forked copy: it has all of this process's memory, and starts at once. Both ends
exchange messages over a socket, with descriptors (unix(7), SCM_RIGHTS). The worker ends when the
other end is closed, and is killed with the process that started it.
"""

from __future__ import annotations

import os
import signal
import socket
from contextlib import contextmanager
from typing import TYPE_CHECKING, TypeVar

import msgspec

from holdstill.errors import TargetFailedError
from holdstill.system import landlock, process

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

T = TypeVar("T")
HANDLES_MAX = 250
"""Most descriptors of one message (SCM_MAX_FD of Linux is 253)."""
_LENGTH = 4


class WorkerPipe:
    """One end. A message is a 4-byte length, and whatever msgpack can encode."""

    def __init__(self, end: socket.socket) -> None:
        self._end = end

    def send(self, message: object, handles: Sequence[int] = ()) -> None:
        """Send a message, and at most HANDLES_MAX descriptors, which stay the caller's to close.

        Raises:
            TargetFailedError: the other end is gone.
        """
        content = msgspec.msgpack.encode(message)
        head = len(content).to_bytes(_LENGTH, "little")
        try:
            if handles:
                socket.send_fds(self._end, [head], handles)
                self._end.sendall(content)
            else:
                self._end.sendall(head + content)
        except (BrokenPipeError, ConnectionResetError) as error:
            raise _gone() from error

    def receive(self, kind: type[T]) -> tuple[T, list[int]]:
        """Return the next message, and the descriptors that came with it: the caller's to close.

        Args:
            kind: the message's type, for msgspec.

        Raises:
            TargetFailedError: the other end is gone.
        """
        try:
            head, handles, _, _ = socket.recv_fds(self._end, _LENGTH, HANDLES_MAX)
            head += self._rest(_LENGTH - len(head))
            content = self._rest(int.from_bytes(head, "little"))
        except ConnectionResetError as error:
            raise _gone() from error
        return msgspec.msgpack.decode(content, type=kind), handles

    def _rest(self, length: int) -> bytes:
        content = bytearray()
        while len(content) < length:
            chunk = self._end.recv(length - len(content))
            if not chunk:
                raise _gone()
            content += chunk
        return bytes(content)


def _gone() -> TargetFailedError:
    return TargetFailedError(
        "a process of this program ended before its work was done",
        hint="it was killed: `dmesg` shows whether memory ran out. Run it again",
    )


@contextmanager
def started(work: Callable[[WorkerPipe], None]) -> Iterator[WorkerPipe]:
    """Run work in a worker process with one end of a pipe; yield the other end.

    Other threads are not copied, but the locks they hold are: work must not log, import or print.
    """
    ours, theirs = socket.socketpair()
    parent = os.getpid()

    def child() -> None:
        ours.close()
        landlock.die_with_parent(parent)
        for number in (signal.SIGINT, signal.SIGTERM):  # the parent handles them
            signal.signal(number, signal.SIG_IGN)
        work(WorkerPipe(theirs))

    pid = process.fork_child(child)
    theirs.close()
    try:
        yield WorkerPipe(ours)
    except BaseException:
        os.kill(pid, signal.SIGKILL)
        raise
    finally:
        ours.close()
        os.waitpid(pid, 0)
