"""All connections to one keeper, led through this process, so that one limit holds for them all.

rsync could limit each transfer for itself (--bwlimit), but not two of them together, nor with the
control channel, nor by the hour while it runs; and what SSH adds it does not count. So both SSH
clients connect to a port of this machine, and threads here pass on their bytes as fast as may be.
The keeper's key is checked by the clients, as ever: in between nobody can read or change anything.
Other users of this machine are let through no more than they are without a line.
"""

from __future__ import annotations

import os
import socket
import threading
from contextlib import contextmanager, suppress
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from holdstill.system import loopback_peer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.model.store_address import HostAddress
    from holdstill.transport.rate_limit import RateLimit

CONNECT_TIMEOUT = 20.0
BUFFER = 32 << 10
"""Bytes that the kernel holds of a connection before the limit: what is more only waits there, and
an SSH client whose words wait too long takes the line for dead."""
PATIENCE = 5.0
"""Seconds to wait for a thread that has nothing more to do."""
LOOPBACK = "127.0.0.1"
UNANSWERED_MS = 30_000
"""After so long without an acknowledgement the kernel drops the connection (tcp(7)): a thin line
may have as much waiting before it, and one that is cut every minute has no more time to lose."""
_TCP_USER_TIMEOUT = 18
KEEP_ALIVE = 10
"""Seconds without a byte until a peer is asked whether it is there."""


class MeteredLine:
    """A port of this machine that leads to the keeper. Use `opened`.

    Attributes:
        port: on loopback.
        failure: why the last connection could not be made; None if it could.
        passed_bytes: in both directions, so far.
    """

    def __init__(self, address: HostAddress, limit: RateLimit) -> None:
        self._address, self._limit = address, limit
        self._listener = socket.create_server((LOOPBACK, 0))
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER)
        self.port: int = self._listener.getsockname()[1]
        self.failure: OSError | None = None
        self.passed_bytes = 0
        self._lock = threading.Lock()
        self._plugs: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._is_closed = False

    @property
    def here(self) -> HostAddress:
        """What to connect to instead of the keeper."""
        return replace(self._address, host=LOOPBACK, port=self.port)

    def serve(self) -> None:
        """Accept connections until closed."""
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            with self._lock:
                self._threads = [known for known in self._threads if known.is_alive()]
                self._threads.append(_started(partial(self._lead, near)))

    def close(self) -> None:
        """Cut every connection."""
        with self._lock:
            self._is_closed = True
            plugs = {self._listener, *self._plugs}
        for plug in plugs:
            _shut(plug)
        self._listener.close()
        for thread in self._threads:
            thread.join(PATIENCE)

    def _lead(self, near: socket.socket) -> None:
        """Connect to the keeper and pass on, until both directions have ended."""
        with near:
            if loopback_peer.user_of(near) != os.geteuid():
                return
            try:
                far = _connected(self._address)
            except OSError as error:
                self.failure = error
                return
            self.failure = None
            with far:
                if self._joined(near, far):
                    back = _started(partial(self._pump, far, near))
                    self._pump(near, far)
                    back.join()
                with self._lock:
                    self._plugs -= {near, far}

    def _joined(self, *plugs: socket.socket) -> bool:
        with self._lock:
            self._plugs |= set(plugs)
            return not self._is_closed

    def _pump(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while chunk := source.recv(self._limit.chunk):
                self._limit.passed(len(chunk))
                target.sendall(chunk)
                with self._lock:
                    self.passed_bytes += len(chunk)
        # The other direction ends when this end has closed; what is on its way still arrives.
        with suppress(OSError):
            target.shutdown(socket.SHUT_WR)


def _connected(address: HostAddress) -> socket.socket:
    """Open a TCP connection that does not outlive a dead peer."""
    plug = socket.create_connection((address.host, address.port), timeout=CONNECT_TIMEOUT)
    plug.settimeout(None)
    plug.setsockopt(socket.IPPROTO_TCP, _TCP_USER_TIMEOUT, UNANSWERED_MS)
    plug.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL):
        plug.setsockopt(socket.IPPROTO_TCP, option, KEEP_ALIVE)
    plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, UNANSWERED_MS // 1000 // KEEP_ALIVE)
    plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return plug


def _started(work: Callable[[], None]) -> threading.Thread:
    thread = threading.Thread(target=work, name="line", daemon=True)
    thread.start()
    return thread


def _shut(plug: socket.socket) -> None:
    with suppress(OSError):
        plug.shutdown(socket.SHUT_RDWR)


@contextmanager
def opened(address: HostAddress, limit: RateLimit) -> Iterator[MeteredLine]:
    """Hold a line to a keeper for the block; a connection of it ends with it."""
    line = MeteredLine(address, limit)
    _started(line.serve)
    try:
        yield line
    finally:
        line.close()
