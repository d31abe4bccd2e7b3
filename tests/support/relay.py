"""A TCP relay that cuts connections: what a bad link does, on purpose and to the byte."""

from __future__ import annotations

import socket
import threading
from contextlib import contextmanager, suppress
from functools import partial
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

UNLIMITED = 1 << 60


class Relay:
    """Passes connections on to a port; the first of them are cut after so many bytes sent.

    Attributes:
        port: where it listens.
        served: connections so far.
    """

    def __init__(self, target: int, cuts: Sequence[int]) -> None:
        self._target, self._cuts = target, list(cuts)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.served = 0
        self._is_down = False
        self._plugs: list[socket.socket] = []
        self._threads: list[threading.Thread] = []

    def serve(self) -> None:
        """Accept connections until closed."""
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self._is_down:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self._target))
            budget = self._cuts.pop(0) if self._cuts else UNLIMITED
            self.served += 1
            self._plugs += [near, far]
            self.start(partial(_pump, far, near, UNLIMITED))
            self.start(partial(_pump, near, far, budget))

    def start(self, work: Callable[[], None]) -> None:
        """Run something beside."""
        thread = threading.Thread(target=work)
        self._threads.append(thread)
        thread.start()

    def cut(self) -> None:
        """Cut every connection; new ones are passed on."""
        for plug in self._plugs:
            _shut(plug)

    def go_down(self) -> None:
        """Cut every connection, and pass on no new one."""
        self._is_down = True
        self.cut()

    def come_up(self, target: int) -> None:
        """Pass new connections on, to this port."""
        self._target, self._is_down = target, False

    def close(self) -> None:
        """Cut everything, and wait until nothing of it runs."""
        for plug in [self._listener, *self._plugs]:
            _shut(plug)
        for thread in self._threads:
            thread.join()
        for plug in [self._listener, *self._plugs]:
            plug.close()


def _pump(source: socket.socket, target: socket.socket, budget: int) -> None:
    try:
        while budget > 0 and (chunk := source.recv(min(65536, budget))):
            target.sendall(chunk)
            budget -= len(chunk)
    except OSError:
        pass
    for plug in (source, target):
        _shut(plug)


def _shut(plug: socket.socket) -> None:
    with suppress(OSError):
        plug.shutdown(socket.SHUT_RDWR)


@contextmanager
def running(target: int, *, cuts: Sequence[int] = ()) -> Iterator[Relay]:
    """Relay to a port of this machine for the block."""
    relay = Relay(target, cuts)
    try:
        relay.start(relay.serve)
        yield relay
    finally:
        relay.close()
