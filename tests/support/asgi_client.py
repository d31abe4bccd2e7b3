"""Asks an ASGI application without a server or a socket, with just the headers given."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from typing import TYPE_CHECKING, Literal
from urllib.parse import quote, urlencode, urlsplit

if TYPE_CHECKING:
    from collections.abc import Mapping, MutableMapping

    from starlette.types import ASGIApp, Message


@dataclass(frozen=True)
class Answer:
    """What came back.

    Attributes:
        headers: by their names in lower case; of one that is there twice, the last.
        is_whole: whether it was ended; a server breaks the connection off where it was not.
    """

    status: int
    headers: Mapping[str, str]
    body: bytes
    is_whole: bool = True

    @property
    def text(self) -> str:
        return self.body.decode()


@dataclass
class AsgiClient:
    """Somebody with a browser, who keeps cookies and follows no redirection.

    Attributes:
        here: the address of the page, which Host is taken from.
    """

    app: ASGIApp
    here: str
    cookies: dict[str, str] = field(default_factory=dict)
    loop: asyncio.Runner = field(default_factory=asyncio.Runner)

    def get(self, path: str, headers: Mapping[str, str] | None = None, **query: str) -> Answer:
        """Ask for a page."""
        return self.ask("GET", path, headers=headers, query=urlencode(query))

    def post(self, path: str, headers: Mapping[str, str] | None = None, **fields: str) -> Answer:
        """Send a form."""
        return self.ask("POST", path, headers=headers, body=urlencode(fields).encode())

    def ask(
        self,
        method: str,
        path: str,
        *,
        headers: Mapping[str, str] | None = None,
        query: str = "",
        body: bytes = b"",
        end: Literal["whole", "waits", "leaves"] = "whole",
    ) -> Answer:
        """Send a request; a header that is given takes the place of the client's own.

        Args:
            method, path: what is asked for.
            headers, query, body: what is sent with it.
            end: whether the body ends; else who sends it waits, or hangs up.
        """
        answer = self.loop.run(
            self.asked(method, path, headers=headers, query=query, body=body, end=end)
        )
        self._keep(answer)
        return answer

    async def asked(
        self,
        method: str,
        path: str,
        *,
        headers: Mapping[str, str] | None = None,
        query: str = "",
        body: bytes = b"",
        end: Literal["whole", "waits", "leaves"] = "whole",
    ) -> Answer:
        """Do what `ask` does inside a loop; cookies are not kept."""
        known = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        own = {"Host": urlsplit(self.here).netloc} | ({"Cookie": known} if known else {})
        path, _, asked = path.partition("?")
        scope: dict[str, object] = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": path, "raw_path": quote(path).encode(), "root_path": "",
            "query_string": (query or asked).encode(), "client": ("127.0.0.1", 50000),
            "server": ("127.0.0.1", 8642),
            "headers": [(name.lower().encode(), value.encode("latin-1"))
                        for name, value in (own | dict(headers or {})).items()],
        }  # fmt: skip
        return await self._answer(scope, body, end)

    async def _answer(self, scope: MutableMapping[str, object], body: bytes, end: str) -> Answer:
        told: list[Message] = []
        bodies = iter([body])

        async def receive() -> Message:
            if (part := next(bodies, None)) is None:
                if end == "leaves":
                    return {"type": "http.disconnect"}
                await asyncio.Event().wait()  # nobody hangs up
            return {"type": "http.request", "body": part, "more_body": end != "whole"}

        async def send(message: Message) -> None:
            told.append(message)

        await self.app(scope, receive, send)
        start, *parts = told
        headers = {name.decode(): value.decode("latin-1") for name, value in start["headers"]}
        sent = b"".join(part.get("body", b"") for part in parts)
        is_whole = bool(parts) and not parts[-1].get("more_body", False)
        return Answer(start["status"], headers, sent, is_whole)

    def _keep(self, answer: Answer) -> None:
        for name, morsel in SimpleCookie(answer.headers.get("set-cookie", "")).items():
            if morsel.value and morsel["max-age"] != "0":
                self.cookies[name] = morsel.value
            else:
                self.cookies.pop(name, None)

    def close(self) -> None:
        """End its loop."""
        self.loop.close()
