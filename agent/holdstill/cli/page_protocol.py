"""HTTP as uvicorn speaks it, but for connections that ask for nothing: these are ended.

Without that some hundreds of them, which any program of the machine can open, would keep everybody
else out for as long as they stay.
"""

from __future__ import annotations

from socket import AF_INET, AF_INET6, IPPROTO_TCP, TCP_NODELAY
from typing import TYPE_CHECKING

from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    import asyncio

WAIT = 10.0
"""Seconds for the head of a request to be there (common practice)."""


class PromptProtocol(H11Protocol):
    """A connection that has to ask for something in time, each time."""

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait."""
        super().connection_made(transport)
        # asyncio does so only for sockets that were made with the number of TCP.
        connection = transport.get_extra_info("socket")
        if connection is not None and connection.family in {AF_INET, AF_INET6}:
            connection.setsockopt(IPPROTO_TCP, TCP_NODELAY, 1)
        # A download that stalls holds one piece here, and the kernel what it likes.
        transport.set_write_buffer_limits(high=0)
        self._wait()

    def handle_events(self) -> None:
        """Take what came; once a request's head is whole, there is nothing to wait for."""
        before = self.cycle
        super().handle_events()
        if self.cycle is not before:
            self._end_wait()

    def on_response_complete(self) -> None:
        """Wait for the next one."""
        super().on_response_complete()
        is_idle = self.cycle.response_complete  # else another request came behind that one
        if is_idle and not self.transport.is_closing():
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._end_wait()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._end_wait()
        self._timer = self.loop.call_later(WAIT, self.transport.close)

    def _end_wait(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
