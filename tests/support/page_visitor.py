"""A page that is served, and somebody who visits it and times that."""

from __future__ import annotations

import http.client
import socket
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from subprocess import PIPE, Popen
from typing import TYPE_CHECKING
from urllib.parse import urlencode, urlsplit

from support.boards import PROGRAM

if TYPE_CHECKING:
    from collections.abc import Iterator

_NICE = ("nice", "-n", "5")
"""As the page's unit has it."""


@dataclass
class Visitor:
    """Somebody who was let in, with one connection that is kept, as a browser does."""

    port: int
    cookie: str = ""

    def __post_init__(self) -> None:
        self._kept = http.client.HTTPConnection("localhost", self.port, timeout=300)

    def enter(self, link: str) -> None:
        """Exchange a link for a session."""
        headers = {"Origin": f"http://localhost:{self.port}",
                   "Content-Type": "application/x-www-form-urlencoded"}  # fmt: skip
        token = urlsplit(link).query.removeprefix("link=")
        answer, _ = self._asked("POST", "/enter", urlencode({"link": token}), headers)
        assert answer.status == 303, answer.status
        self.cookie = answer.headers["Set-Cookie"].split(";")[0]

    def seconds(self, path: str) -> float:
        """Ask for a page; return how long that took."""
        begun = time.monotonic()
        self.text(path)
        return time.monotonic() - begun

    def text(self, path: str) -> str:
        """Ask for a page; return it."""
        answer, body = self._asked("GET", path, "", {"Cookie": self.cookie})
        assert answer.status == 200, (path, answer.status)
        return body.decode()

    def leave(self) -> None:
        """Close the connection."""
        self._kept.close()

    def _asked(
        self, method: str, path: str, body: str, headers: dict[str, str]
    ) -> tuple[http.client.HTTPResponse, bytes]:
        try:
            self._kept.request(method, path, body, headers)
            answer = self._kept.getresponse()
        except (http.client.RemoteDisconnected, BrokenPipeError):  # it was idle for long
            self._kept.close()
            self._kept.request(method, path, body, headers)
            answer = self._kept.getresponse()
        return answer, answer.read()

    @contextmanager
    def stalled(self, paths: list[str], *, taken: int = 0) -> Iterator[None]:
        """Hold downloads of which no more is taken, once so many bytes were."""
        held = []
        try:
            for path in paths:
                asking = socket.socket()
                held.append(asking)
                asking.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                asking.connect(("localhost", self.port))
                lines = f"GET {path} HTTP/1.1\r\nHost: localhost\r\nCookie: {self.cookie}\r\n\r\n"
                asking.sendall(lines.encode())
            time.sleep(5)  # until all have begun
            for asking in held:
                assert asking.recv(12) == b"HTTP/1.1 200"
                left = taken
                while left > 0:
                    left -= len(asking.recv(min(left, 64 << 10)))
            yield
        finally:
            for asking in held:
                asking.close()


@contextmanager
def served(store: Path, port: int, *words: str) -> Iterator[tuple[Visitor, int]]:
    """Hold a page of a store, whose files may be taken out; yield a visitor and its process id."""
    line = [*_NICE, *PROGRAM, "page", "--store", str(store), "--port", str(port)]
    with Popen([*line, "--role", "files", *words], stdout=PIPE, text=True) as server:
        visitor = Visitor(port)
        try:
            assert server.stdout is not None
            link = server.stdout.readline()
            for _ in range(100):
                time.sleep(0.1)
                with suppress(ConnectionRefusedError):
                    visitor.enter(link.strip())
                    break
            yield visitor, server.pid
        finally:
            visitor.leave()
            server.terminate()


def resident(pid: int) -> float:
    """Return MiB of a process that are in memory (proc_pid_status(5))."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    (line,) = (line for line in status.splitlines() if line.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024
