"""What stands before everything else: which requests are answered, and what every answer says.

The headers are those of the Content Security Policy Level 3 (W3C), RFC 9110, RFC 9111 and the
Fetch standard (WHATWG). Nothing of a page is loaded from elsewhere, and no script runs in it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from holdstill.page.addresses import Addresses

POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
"""Styles and pictures from here, and no scripts, wherever they are from."""
FILE_POLICY = (
    "default-src 'none'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'; sandbox"
)
"""Of what is no page of ours, such as a captured picture: nothing in it runs, wherever it is."""
HEADERS = {
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), usb=()",
    # With no-referrer a browser would send `Origin: null` with our own forms (Fetch, 3.2).
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
_READING, _CHANGING = frozenset({"GET", "HEAD"}), frozenset({"POST"})


class Guard:
    """Sends away what was not meant for this page, and puts the headers on every answer."""

    def __init__(self, app: ASGIApp, addresses: Addresses) -> None:
        self._app, self._addresses = app, addresses

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, as ASGI has it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # a web socket: nothing here has one
            await send({"type": "websocket.close", "code": 1008})
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(HEADERS)
                is_page = headers.get("content-type", "").startswith("text/html")
                headers["Content-Security-Policy"] = POLICY if is_page else FILE_POLICY
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = self._refusal(scope)
        app = PlainTextResponse(refusal[1] + "\n", refusal[0]) if refusal else self._app
        await app(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Return why a request is not answered, with its status; None if it is."""
        headers, method = Headers(scope=scope), scope["method"]
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        if len(hosts) != 1 or not self._addresses.is_ours(hosts[0]):
            return 421, "this page has another address"
        if method not in _READING | _CHANGING:
            return 405, "this page is read with GET, and changed with POST"
        if method in _CHANGING and (
            len(origins) != 1 or not self._addresses.is_from_us(origins[0], hosts[0])
        ):
            return 403, "this form is not one of this page"
        return None
