"""An answer whose bytes are made while they are sent."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from starlette.responses import Response, StreamingResponse

from holdstill.errors import HoldstillError

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator, Mapping

    from starlette.types import Receive, Scope, Send

MAY_STALL = "may-stall"
"""What a request's state says for a server, if its answer need not be taken in time."""
_log = logging.getLogger(__name__)


class Streamed(StreamingResponse):
    """Bytes as they are drawn, one piece at a time, in a thread.

    The first piece is drawn before anything is sent: what cannot begin is told on a page. What
    fails later breaks the connection off, so that nobody takes what came for the whole: a server
    does that with an answer that was begun and not ended.
    """

    def __init__(
        self, parts: Generator[bytes, None, None], type_: str, headers: Mapping[str, str]
    ) -> None:
        """Begin with the first piece.

        Raises: what drawing it does.
        """
        first = next(parts, b"")
        super().__init__(_behind(first, parts), media_type=type_, headers=dict(headers))
        self._parts = parts

    def without_body(self) -> Response:
        """Return the answer to HEAD (RFC 9110, 9.3.2): no more pieces are drawn."""
        self._parts.close()
        return Response(status_code=self.status_code, headers=dict(self.headers))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it, as ASGI has it; what it holds open is let go of, however it ends."""
        try:
            await super().__call__(scope, receive, send)
        except (HoldstillError, OSError) as error:
            _log.warning("what was sent was broken off: %s", error)
        finally:
            self._parts.close()


def _behind(first: bytes, parts: Generator[bytes, None, None]) -> Iterator[bytes]:
    yield first
    del first  # it would be held until the end
    yield from parts
