"""The application: which view answers what, and who may ask for it."""

from __future__ import annotations

import logging
from asyncio import Semaphore, timeout
from contextlib import asynccontextmanager, nullcontext
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol
from urllib.parse import parse_qs

from anyio import to_thread
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import Response
from starlette.routing import Route

from holdstill.errors import (
    BusyError,
    HoldstillError,
    MachineError,
    PreflightError,
    SecurityError,
    UsageError,
    VerificationError,
)
from holdstill.page import templates
from holdstill.page.guard import Guard
from holdstill.page.ranged_file import RangedFile
from holdstill.page.streamed import MAY_STALL, Streamed
from holdstill.page.visit import Turn, Visit

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping, Sequence

    from starlette.requests import Request
    from starlette.types import ASGIApp

    from holdstill.page.addresses import Addresses
    from holdstill.page.entrance import Entrance
    from holdstill.page.roles import Role
    from holdstill.page.templates import Templates
    from holdstill.page.visit import Page

FORM_LIMIT = 64 << 10
"""Bytes of a form."""
FORM_WAIT = 10.0
"""Seconds for a form to be there (common practice): a connection that waits is one of few."""
NAME_LIMIT = 255
"""Characters of a name in an address: boards and captures have shorter ones."""
AT_ONCE = {Turn.READING: 3, Turn.HEAVY: 2}
"""Answers of a kind that are made at a time; who asks for more waits, and nobody else does.
More would be no quicker, and each has a manifest in memory, of a board that may mean harm."""
THREADS = 16
"""More than wait for turns, so that what needs none is answered."""
_STYLES_LAST = "public, max-age=31536000, immutable"
"""Its address changes with it."""
_STATUS: dict[type[HoldstillError], int] = {
    UsageError: 404, BusyError: 409, PreflightError: 503, MachineError: 503,
    VerificationError: 500, SecurityError: 500,
}  # fmt: skip
"""RFC 9110, 15: not there, held by somebody, not possible here now, wrong here."""
_NOT_ROUTED = {408: "the form did not come in time", 413: "that is too much for a form"}
_log = logging.getLogger(__name__)


class Explain(Protocol):
    """How an error of the system becomes one with words."""

    def __call__(self, error: BaseException) -> HoldstillError | None:
        """Return it in words; None for a fault of ours."""


@dataclass(frozen=True)
class Site:
    """What an application is made of.

    Attributes:
        pages: all places but the entrance.
        let_in: the role of everybody who reaches the page, where a proxy has a login of its own;
            None where people come in by links.
    """

    pages: Sequence[Page]
    entrance: Entrance
    addresses: Addresses
    templates: Templates
    explain: Explain
    let_in: Role | None = None


def create(site: Site) -> ASGIApp:
    """Return the application."""
    found = _Answers(site)
    routes = [
        Route(page.path, found.answer(page), methods=["POST" if page.is_changing else "GET"])
        for page in (*site.entrance.pages, *site.pages)
    ]
    app = Starlette(
        lifespan=_few_threads,
        routes=[*routes, *_fixed()],
        exception_handlers={HTTPException: found.not_routed},
    )
    # A link that lets somebody in is sent nowhere else, not even to the same place at http://.
    app.router.redirect_slashes = False
    return Guard(app, site.addresses)


@asynccontextmanager
async def _few_threads(_: Starlette) -> AsyncIterator[None]:
    """Have answers made by few threads: each holds memory of its own, for good."""
    to_thread.current_default_thread_limiter().total_tokens = THREADS
    yield


def _fixed() -> Iterator[Route]:
    """Yield the routes of what is the same for everybody, let in or not."""
    for path, content, kind in (
        ("/styles/{name}.svg", templates.mark(), "image/svg+xml"),
        ("/styles/{name}.css", templates.styles(), "text/css"),
    ):
        answer = Response(content, media_type=kind, headers={"Cache-Control": _STYLES_LAST})
        yield Route(path, _always(answer), methods=["GET"])


def _always(answer: Response) -> Callable[[Request], Response]:
    def endpoint(_: Request) -> Response:
        return answer

    return endpoint


@dataclass(frozen=True)
class _Answers:
    """Makes requests into visits, and what went wrong with them into pages."""

    site: Site
    turns: Mapping[Turn, Semaphore] = field(
        default_factory=lambda: {turn: Semaphore(most) for turn, most in AT_ONCE.items()}
    )

    def answer(self, page: Page) -> Callable[[Request], Awaitable[Response]]:
        """Return what answers requests for a page."""

        async def endpoint(request: Request) -> Response:
            form = await _form(request) if page.is_changing else {}
            visit = self._visit(request, form)
            if self._is_led_here(request):
                return visit.page("led_here.html", status=403, here=_address(request))
            if any(len(value) > NAME_LIMIT for value in visit.place.values()):
                return await run_in_threadpool(self._not_routed, visit, 404)
            async with self.turns.get(page.turn) or nullcontext():
                found = await run_in_threadpool(self._answered, page, visit)
            if request.method == "HEAD" and isinstance(found, Streamed):
                return found.without_body()
            if isinstance(found, Streamed | RangedFile):
                setattr(request.state, MAY_STALL, True)
            return found

        return endpoint

    async def not_routed(self, request: Request, error: Exception) -> Response:
        """Tell of an address that nothing answers to."""
        status = error.status_code if isinstance(error, HTTPException) else 500
        return await run_in_threadpool(self._not_routed, self._visit(request, {}), status)

    def _not_routed(self, visit: Visit, status: int) -> Response:
        if visit.role is None:
            return self.site.entrance.refused(visit)
        return _told(visit, status, _NOT_ROUTED.get(status, "there is no such page here"))

    def _visit(self, request: Request, form: dict[str, str]) -> Visit:
        token = request.cookies.get(self.site.entrance.cookie, "")
        session = self.site.entrance.sessions.find(token) if token else None
        return Visit(
            templates=self.site.templates,
            path=request.url.path,
            place={name: str(value) for name, value in request.path_params.items()},
            query=dict(request.query_params),
            form=form,
            role=session.role if session else self.site.let_in,
            token=token,
        )

    def _is_led_here(self, request: Request) -> bool:
        """Return whether another site makes this request of somebody whom a proxy lets in.

        A session's cookie would not have come with it (SameSite=Strict); the proxy's may.
        """
        site = request.headers.get("sec-fetch-site", "none")  # W3C, Fetch Metadata, 2.4
        return self.site.let_in is not None and site not in {"none", "same-origin"}

    def _answered(self, page: Page, visit: Visit) -> Response:
        if page.role is not None and visit.role is None:
            return self.site.entrance.refused(visit)
        if page.role is not None and not visit.may(page.role):
            hint = f"ask for one made with `holdstill page --new-link --role {page.role}`"
            return _told(visit, 403, "your link does not allow that", hint)
        try:
            return page.view(visit)
        except Exception as error:  # noqa: BLE001  the last line of defence
            return self._failed(visit, error)

    def _failed(self, visit: Visit, error: Exception) -> Response:
        known = self.site.explain(error)
        if known is None:
            _log.error("a fault of holdstill itself, at %r", visit.path, exc_info=error)
            hint = "the page's log at the keeper says more"
            return _told(visit, 500, "this is a fault of holdstill itself", hint)
        status = next((_STATUS[kind] for kind in type(known).__mro__ if kind in _STATUS), 500)
        return _told(visit, status, str(known), known.hint)


def _told(visit: Visit, status: int, what: str, hint: str = "") -> Response:
    """Say what did not work, and what to do."""
    return visit.page("error.html", status=status, what=what, hint=hint)


def _address(request: Request) -> str:
    """Return the address of a page, as it was asked for at this host."""
    path = str(request.scope["raw_path"], "ascii", "replace")
    return f"{path}?{request.url.query}" if request.url.query else path


async def _form(request: Request) -> dict[str, str]:
    """Read a form's body (URL Standard, application/x-www-form-urlencoded)."""
    body = b""
    try:
        async with timeout(FORM_WAIT):
            async for chunk in request.stream():
                body += chunk
                if len(body) > FORM_LIMIT:
                    raise HTTPException(413)
    except (TimeoutError, ClientDisconnect) as error:
        raise HTTPException(408) from error
    text = body.decode("utf-8", "replace")
    try:
        fields = parse_qs(text, keep_blank_values=True, max_num_fields=200)
    except ValueError as error:
        raise HTTPException(413) from error
    return {name: values[-1] for name, values in fields.items()}
