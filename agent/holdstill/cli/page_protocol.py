"""HTTP as uvicorn speaks it, but for connections that ask for nothing, or take nothing: these end.

Without that some hundreds of them, which any program of the machine can open, would keep everybody
else out for as long as they stay.
"""

from __future__ import annotations

from socket import AF_INET, AF_INET6, IPPROTO_TCP, TCP_NODELAY
from typing import TYPE_CHECKING, cast

from uvicorn.protocols.http.h11_impl import H11Protocol

from holdstill.page.streamed import MAY_STALL

if TYPE_CHECKING:
    import asyncio

    from uvicorn._types import HTTPScope

WAIT = 10.0
"""Seconds for the head of a request to be there (common practice)."""
TAKEN = 30.0
"""Seconds in which what is sent has to be taken (common practice), but for downloads: a browser
may have one rest, and only who was let in has any."""


class PromptProtocol(H11Protocol):
    """A connection that has to ask for something in time, each time."""

    _timer: asyncio.TimerHandle | None = None
    _untaken: asyncio.TimerHandle | None = None

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
        self._end_untaken()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Begin to wait for what was sent to be taken."""
        super().pause_writing()
        self._end_untaken()
        self._untaken = self.loop.call_later(TAKEN, self._give_up)

    def resume_writing(self) -> None:
        """It was taken."""
        self._end_untaken()
        super().resume_writing()

    def _give_up(self) -> None:
        """End a connection that takes nothing; `close` would wait for it to do so."""
        scope = cast("HTTPScope | None", self.scope)  # None before a request
        if scope is None or not scope.get("state", {}).get(MAY_STALL):
            self.transport.abort()

    def _end_untaken(self) -> None:
        if self._untaken is not None:
            self._untaken.cancel()
            self._untaken = None

    def _wait(self) -> None:
        self._end_wait()
        self._timer = self.loop.call_later(WAIT, self.transport.close)

    def _end_wait(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
