"""A thin line between two network namespaces, with the kernel's own TCP at both ends.

Two interfaces of the kind tun (Documentation/networking/tuntap.rst) lead into this process, which
passes packets on: so many bytes a second, so late, with a short queue, as netem does where a
kernel has it (tc-netem(8)). A cut takes the board's interface down for some seconds; of
connections that stood then nothing passes any more, as behind a modem that dials in again:
neither end is told.
"""

from __future__ import annotations

import fcntl
import json
import os
import select
import struct
import threading
import time
from collections import deque
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator

KEEPER, BOARD = "10.77.19.1", "10.77.19.2"
QUEUE_SECONDS = 0.5
"""What waits before the bottleneck, as in a modem; more is dropped."""
_TUNSETIFF = 0x400454CA
_TUN_WITHOUT_HEADER = 0x0001 | 0x1000
"""linux/if_tun.h: IFF_TUN | IFF_NO_PI."""
_TCP = 6


@dataclass
class _Way:
    """One direction: packets that are on their way, with the moment at which they arrive."""

    source: int
    target: int
    free_at: float = 0.0
    flying: deque[tuple[float, bytes]] = field(default_factory=deque)


@dataclass
class NetworkLine:
    """A line.

    Attributes:
        rate: bytes a second in each direction, with all headers; 0 for no limit.
        delay: seconds from one end to the other.
        namespace: the board's; `words` starts a program in it.
        cuts: so far.
    """

    namespace: str
    keeper_end: str
    board_end: str
    rate: float = 0.0
    delay: float = 0.0
    cuts: int = 0

    def __post_init__(self) -> None:
        self._known: set[bytes] = set()
        self._dead: set[bytes] = set()
        self._over = threading.Event()
        self._is_silent = False

    def words(self, *command: object) -> list[object]:
        """Return the words that run a command at the board's end."""
        return ["nsenter", f"--net=/run/netns/{self.namespace}", *command]

    def passed(self) -> tuple[int, int]:
        """Return the bytes that the board's interface sent and received: the kernel's count."""
        show = ("-s", "-j", "link", "show", self.board_end)
        counted = json.loads(programs.run("ip", "-n", self.namespace, *show))[0]["stats64"]
        return counted["tx"]["bytes"], counted["rx"]["bytes"]

    def cut(self, seconds: float) -> None:
        """Take the interface down for so long; no connection that stands outlives it."""
        self.cuts += 1
        programs.run("ip", "-n", self.namespace, "link", "set", self.board_end, "down")
        self._dead |= self._known
        time.sleep(seconds)
        programs.run("ip", "-n", self.namespace, "link", "set", self.board_end, "up")

    def fall_silent(self) -> None:
        """Pass nothing on, and tell nobody: so it is when the other machine has no power."""
        self._is_silent = True

    def come_back(self) -> None:
        """Pass on again; connections that stood before are dead."""
        self._dead |= self._known
        self._is_silent = False

    def pass_on(self, keeper: int, board: int) -> None:
        """Pass packets on until `end`."""
        ways = (_Way(board, keeper), _Way(keeper, board))
        while not self._over.is_set():
            for way in ways:
                self._deliver(way)
            nexts = [way.flying[0][0] for way in ways if way.flying]
            patience = min([0.2, *(max(0.0, at - time.monotonic()) for at in nexts)])
            ready, _, _ = select.select([keeper, board], [], [], patience)
            for way in ways:
                if way.source in ready:
                    self._take(way)

    def end(self) -> None:
        """Pass nothing on any more."""
        self._over.set()

    def _take(self, way: _Way) -> None:
        packet, now = os.read(way.source, 1 << 16), time.monotonic()
        flow = _flow(packet)
        if self._is_silent or flow in self._dead:
            return
        if flow:
            self._known.add(flow)
        begin = max(now, way.free_at)
        if begin - now > QUEUE_SECONDS:
            return
        way.free_at = begin + (len(packet) / self.rate if self.rate else 0.0)
        way.flying.append((way.free_at + self.delay, packet))

    def _deliver(self, way: _Way) -> None:
        while way.flying and way.flying[0][0] <= time.monotonic():
            _, packet = way.flying.popleft()
            if _flow(packet) not in self._dead:
                try:
                    os.write(way.target, packet)
                except OSError:  # the interface is down
                    continue


def _flow(packet: bytes) -> bytes:
    """Return what both directions of a TCP connection have in common; b"" of another packet."""
    if packet[0] >> 4 != 4 or packet[9] != _TCP:
        return b""
    ports = packet[(packet[0] & 15) * 4 :]
    return b"".join(sorted((packet[12:16] + ports[:2], packet[16:20] + ports[2:4])))


def _tun(name: str) -> int:
    handle = os.open("/dev/net/tun", os.O_RDWR | os.O_CLOEXEC)
    fcntl.ioctl(handle, _TUNSETIFF, struct.pack("16sH22x", name.encode(), _TUN_WITHOUT_HEADER))
    return handle


@contextmanager
def running(*, rate: float = 0.0, delay: float = 0.0) -> Iterator[NetworkLine]:
    """Hold a line, with its namespace and interfaces, for the block."""
    number = os.getpid() % 100_000
    line = NetworkLine(f"board-{number}", f"hsk{number}", f"hsb{number}", rate, delay)
    programs.run("ip", "netns", "add", line.namespace)
    keeper, board = _tun(line.keeper_end), _tun(line.board_end)
    worker = threading.Thread(target=line.pass_on, args=(keeper, board))
    try:
        programs.run("ip", "link", "set", line.board_end, "netns", line.namespace)
        programs.run("ip", "address", "add", f"{KEEPER}/30", "dev", line.keeper_end)
        programs.run("ip", "link", "set", line.keeper_end, "up")
        there = ("ip", "-n", line.namespace)
        programs.run(*there, "address", "add", f"{BOARD}/30", "dev", line.board_end)
        programs.run(*there, "link", "set", line.board_end, "up")
        programs.run(*there, "link", "set", "lo", "up")
        worker.start()
        yield line
    finally:
        line.end()
        if worker.is_alive():
            worker.join()
        for handle in (keeper, board):
            os.close(handle)  # the interfaces go with them
        programs.run("ip", "netns", "delete", line.namespace)


@contextmanager
def cut_every(line: NetworkLine, seconds: float, *, down: float) -> Iterator[None]:
    """Cut a line again and again while the block lasts; down: seconds that each cut takes."""
    over = threading.Event()

    def cut() -> None:
        while not over.wait(seconds):
            line.cut(down)

    thread = threading.Thread(target=cut)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
