"""A thin line, with real sockets: so many bytes a second, so late, and cut now and then.

The kernels that tests run on need not have netem; tc-netem(8) describes the same three.
"""

from __future__ import annotations

import queue
import socket
import threading
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

PACKET, STEP = 1400, 0.005
"""Bytes that pass at a time: a packet's on a thin line, else so many seconds' worth."""
QUEUE = 64 << 10
"""Bytes that wait before the bottleneck, as in a modem."""


@dataclass
class ThinLine:
    """Leads to a port of this machine.

    Attributes:
        rate: bytes a second in each direction, of all connections together; 0 for no limit.
        delay: seconds from one end to the other.
        passed: bytes towards the target, by the second since it began.
        cuts: how often `cut` was called.
        connections: bytes towards the target of each connection, in order.
    """

    target: int
    rate: float
    delay: float
    port: int = 0
    passed: dict[int, int] = field(default_factory=dict)
    back: int = 0
    cuts: int = 0
    connections: list[int] = field(default_factory=list)
    is_down: bool = False

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self.port = self._listener.getsockname()[1]
        self._began = time.monotonic()
        self._chunk = max(PACKET, int(self.rate * STEP)) if self.rate else QUEUE
        self._free = [self._began, self._began]
        self._lock = threading.Lock()
        self._plugs: set[socket.socket] = set()
        self._all: list[socket.socket] = []
        self._threads: list[threading.Thread] = []

    @property
    def sent(self) -> int:
        """Bytes towards the target so far."""
        return sum(self.passed.values())

    def serve(self) -> None:
        """Accept connections until closed."""
        with suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                if self.is_down:
                    near.close()
                    continue
                far = socket.create_connection(("127.0.0.1", self.target))
                for plug in (near, far):
                    plug.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    plug.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, QUEUE)
                self._plugs |= {near, far}
                self._all += [near, far]
                self.connections.append(0)
                self._lead(near, far, way=0)
                self._lead(far, near, way=1)

    def _lead(self, source: socket.socket, target: socket.socket, *, way: int) -> None:
        on_its_way: queue.Queue[tuple[float, bytes]] = queue.Queue()
        number = len(self.connections) - 1

        def take() -> None:
            data = b"?"
            while data:
                try:
                    data = source.recv(self._chunk)
                except OSError:
                    data = b""
                if way == 0:
                    self.connections[number] += len(data)
                at = self._through(len(data), way)
                on_its_way.put((at + self.delay, data))

        def give() -> None:
            with suppress(OSError):
                while True:
                    at, data = on_its_way.get()
                    time.sleep(max(0.0, at - time.monotonic()))
                    if not data:
                        target.shutdown(socket.SHUT_WR)
                        return
                    target.sendall(data)

        for work in (take, give):
            thread = threading.Thread(target=work, daemon=True)
            self._threads.append(thread)
            thread.start()

    def _through(self, count: int, way: int) -> float:
        """Wait for the bottleneck; return when the bytes are through."""
        with self._lock:
            now = time.monotonic()
            begin = max(now - 0.05, self._free[way])
            self._free[way] = begin + (count / self.rate if self.rate else 0.0)
            if way == 0:
                second = int(now - self._began)
                self.passed[second] = self.passed.get(second, 0) + count
            else:
                self.back += count
        time.sleep(max(0.0, self._free[way] - now))
        return time.monotonic()

    def cut(self) -> None:
        """Let every connection fall; new ones are passed on."""
        self.cuts += 1
        for plug in list(self._plugs):
            with suppress(OSError):
                plug.shutdown(socket.SHUT_RDWR)
        self._plugs.clear()

    def close(self) -> None:
        """Let everything fall."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.cut()
        for thread in self._threads:
            thread.join(timeout=5)
        for plug in self._all:
            plug.close()


@contextmanager
def running(
    target: int, *, rate: float = 0, delay: float = 0.0, cut_every: float = 0.0
) -> Iterator[ThinLine]:
    """Lead to a port of this machine for the block; cut every so many seconds, 0 for never."""
    line, over = ThinLine(target, rate, delay), threading.Event()

    def cut() -> None:
        while not over.wait(cut_every):
            line.cut()

    threading.Thread(target=line.serve, daemon=True).start()
    cutter = threading.Thread(target=cut)
    if cut_every:
        cutter.start()
    try:
        yield line
    finally:
        over.set()
        line.close()
        if cut_every:
            cutter.join()
