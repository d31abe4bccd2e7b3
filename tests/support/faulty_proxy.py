"""An HTTP proxy before an object server that does what bad servers and lines do, at call N."""

from __future__ import annotations

import http.client
import re
import threading
import time
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from enum import StrEnum
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, ClassVar

if TYPE_CHECKING:
    from collections.abc import Iterator

_VERSION = re.compile(rb"<Version>.*?</Version>", re.DOTALL)
_ERROR = b"<?xml version='1.0'?><Error><Code>%s</Code><Message>at call %d</Message></Error>"


class Fault(StrEnum):
    """What happens to a call."""

    INTERNAL = "500"
    """Answered by 500; the server never saw it."""
    SLOW_DOWN = "503"
    """Answered by 503; the server never saw it."""
    SLOW = "slow"
    """Done, after a while."""
    CUT_BEFORE = "cut in mid-put"
    """The line is cut after half of what was sent; the server never saw all of it."""
    CUT_AFTER = "cut before the answer"
    """Done, and the line is cut before anybody is told."""
    CUT_ANSWER = "cut in mid-answer"
    """Done, and the line is cut after half of the answer's bytes."""
    FULL = "full"
    """Answered by 507, as a server does whose disk is full."""
    SKEWED = "another clock"
    """Done, and the answer's date is two hours off."""
    REFUSED_TIME = "clock refused"
    """Answered by 403: the server's clock is too far from the one that signed."""
    DENIED = "403"
    """Answered by 403, as to who may not do that with this object; the server never saw it."""
    STALE = "late list"
    """Done; where it lists, what was put by way of this proxy is not there yet."""


_CODES = {
    Fault.INTERNAL: (500, b"InternalError"),
    Fault.SLOW_DOWN: (503, b"SlowDown"),
    Fault.FULL: (507, b"InsufficientStorage"),
    Fault.DENIED: (403, b"AccessDenied"),
    Fault.REFUSED_TIME: (403, b"RequestTimeTooSkewed"),
}


@dataclass
class Plan:
    """Which calls go wrong, and how many there were.

    Attributes:
        at: number of the first call that goes wrong, from 1 on; 0 for none.
        many: how many do from there on.
        put: ids of the versions that were put.
        where: what is in the path of an object, or the id of a version, at which each call goes
            wrong; "" for none.
        command: the one method that goes wrong there; "" for each.
    """

    fault: Fault = Fault.INTERNAL
    at: int = 0
    many: int = 1
    calls: int = 0
    put: set[str] = field(default_factory=set)
    where: str = ""
    command: str = ""
    lock: threading.Lock = field(default_factory=threading.Lock)

    def next(self, command: str, path: str) -> Fault | None:
        """Count a call; return what is to happen to it."""
        with self.lock:
            self.calls += 1
            if self.where and self.where in _object(path) and self.command in {"", command}:
                return self.fault
            return self.fault if 0 < self.at <= self.calls < self.at + self.many else None


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    plan: ClassVar[Plan]
    target: ClassVar[int]

    def _answer(self) -> None:
        fault = self.plan.next(self.command, self.path)
        length = int(self.headers.get("Content-Length", "0"))
        if fault is Fault.CUT_BEFORE:
            self.rfile.read(length // 2)
            self.close_connection = True
            return
        body = self.rfile.read(length)
        if fault in _CODES:
            status, code = _CODES[fault]
            self._say(status, {}, _ERROR % (code, self.plan.calls))
            return
        if fault is Fault.SLOW:
            time.sleep(0.3)
        status, headers, answer = self._forwarded(body)
        if self.command == "PUT":
            self.plan.put |= {v for k, v in headers.items() if k.lower() == "x-amz-version-id"}
        if fault is Fault.SKEWED:
            headers["Date"] = format_datetime(datetime.now(UTC) + timedelta(hours=2), usegmt=True)
        if fault is Fault.STALE:
            answer = _VERSION.sub(self._unless_put, answer)
        if fault is Fault.CUT_AFTER:
            self.close_connection = True
            return
        if fault is Fault.CUT_ANSWER:
            self._say(status, headers, answer, cut=len(answer) // 2)
            return
        self._say(status, headers, answer)

    def _unless_put(self, found: re.Match[bytes]) -> bytes:
        return b"" if any(one.encode() in found[0] for one in self.plan.put if one) else found[0]

    do_GET = do_PUT = do_POST = do_DELETE = do_HEAD = _answer  # noqa: N815  of the standard library

    def _forwarded(self, body: bytes) -> tuple[int, dict[str, str], bytes]:
        line = http.client.HTTPConnection("127.0.0.1", self.target, timeout=60)
        try:
            # The host that was asked is what is signed.
            line.putrequest(self.command, self.path, skip_host=True, skip_accept_encoding=True)
            for name, value in self.headers.items():
                if name.lower() not in {"expect", "connection"}:
                    line.putheader(name, value)
            line.endheaders(body)
            got = line.getresponse()
            return got.status, dict(got.getheaders()), got.read()
        finally:
            line.close()

    def _say(
        self, status: int, headers: dict[str, str], answer: bytes, *, cut: int | None = None
    ) -> None:
        self.send_response_only(status)
        for name, value in headers.items():
            if name.lower() not in {"content-length", "connection", "transfer-encoding"}:
                self.send_header(name, value)
        if self.command == "HEAD":  # says no more than that (RFC 9110, 9.3.2)
            length, answer = headers.get("Content-Length", "0"), b""
        else:
            length = str(len(answer))
        self.send_header("Content-Length", length)
        self.end_headers()
        with suppress(OSError):
            self.wfile.write(answer if cut is None else answer[:cut])
        self.close_connection = cut is not None

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002  of the standard library
        """Say nothing."""


@dataclass
class FaultyProxy:
    """A running proxy, and its plan, which a test changes between runs."""

    port: int
    plan: Plan

    @property
    def endpoint(self) -> str:
        """Its URL."""
        return f"http://127.0.0.1:{self.port}"

    def planned(self, fault: Fault, at: int, *, many: int = 1) -> None:
        """Let calls go wrong from now on, counted anew; at = 0 for none."""
        with self.plan.lock:
            self.plan.fault, self.plan.at, self.plan.many, self.plan.calls = fault, at, many, 0

    def failing_at(self, key: str, fault: Fault = Fault.INTERNAL, *, command: str = "") -> None:
        """Let each call for one object go wrong from now on, or those of one method."""
        self.planned(fault, 0)
        self.plan.where, self.plan.command = key, command


def _object(path: str) -> str:
    """Return what of a path names an object, and its version."""
    name, _, query = path.partition("?")
    return path if query.startswith("versionId=") else name


@contextmanager
def running(target: int) -> Iterator[FaultyProxy]:
    """Pass calls on to a port of this machine for the block."""
    plan = Plan()
    handler = type("Handler", (_Handler,), {"plan": plan, "target": target})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    server.block_on_close = False
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield FaultyProxy(server.server_address[1], plan)
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
