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
PICTURE_POLICY = FILE_POLICY + "; style-src 'unsafe-inline'"
"""Of a raster picture, which has no styles: those are the browser's own, if it is opened alone."""
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


def _policy(type_: str) -> str:
    """Return the policy of an answer by its Content-Type."""
    if type_.startswith("text/html"):
        return POLICY
    is_raster = type_.startswith("image/") and not type_.startswith("image/svg")
    return PICTURE_POLICY if is_raster else FILE_POLICY


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
                headers["Content-Security-Policy"] = _policy(headers.get("content-type", ""))
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        refusal = self._refusal(scope)
        if refusal:  # what else comes by that connection may be the rest of this
            close = {"Connection": "close"}
            told = PlainTextResponse(refusal[1] + "\n", refusal[0], headers=close)
            await told(scope, receive, with_headers)
            return
        await self._app(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Return why a request is not answered, with its status; None if it is."""
        headers, method = Headers(scope=scope), scope["method"]
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        if "content-length" in headers and "transfer-encoding" in headers:
            return 400, "this request has two lengths"  # two requests to others (RFC 9112, 6.1)
        if len(hosts) != 1 or not self._addresses.is_ours(hosts[0]):
            return 421, "this page has another address"
        if method not in _READING | _CHANGING:
            return 405, "this page is read with GET, and changed with POST"
        if method in _CHANGING and (
            len(origins) != 1 or not self._addresses.is_from_us(origins[0], hosts[0])
        ):
            return 403, "this form is not one of this page"
        return None
