"""What takes long is made few at a time, and keeps nobody else waiting."""

from __future__ import annotations

import asyncio
import threading
from typing import TYPE_CHECKING

import pytest
from starlette.responses import PlainTextResponse

from holdstill.page import application
from holdstill.page.addresses import Addresses
from holdstill.page.application import Site
from holdstill.page.entrance import Entrance
from holdstill.page.guess_limit import GuessLimit
from holdstill.page.links import Links
from holdstill.page.roles import Role
from holdstill.page.sessions import Sessions
from holdstill.page.templates import Templates
from holdstill.page.visit import Page, Turn
from holdstill.workflow import explain
from support.asgi_client import AsgiClient
from support.page import HERE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from starlette.responses import Response
    from starlette.types import ASGIApp

    from holdstill.page.visit import Visit
    from support.keeping import FakeClock

MANY = 60
"""More than there are threads for answers (anyio: 40)."""


def app_of(pages: tuple[Page, ...], folder: Path, clock: FakeClock) -> ASGIApp:
    entrance = Entrance(Links(folder, clock), Sessions(clock), GuessLimit(clock))
    return application.create(
        Site(pages, entrance, Addresses(), Templates("boathouse"), explain.explained, Role.LOOK)
    )


@pytest.mark.parametrize("turn", [Turn.READING, Turn.HEAVY])
def test_whoever_asks_for_much_at_once_keeps_nobody_else_waiting(
    tmp_path: Path, clock: FakeClock, turn: Turn
) -> None:
    may_end, most, now, lock = threading.Event(), 0, 0, threading.Lock()

    def slow(_: Visit) -> Response:
        nonlocal most, now
        with lock:
            now += 1
            most = max(most, now)
        may_end.wait(10)
        with lock:
            now -= 1
        return PlainTextResponse("slow")

    def quick(_: Visit) -> Response:
        return PlainTextResponse("quick")

    app = app_of((Page("/slow", slow, turn=turn), Page("/quick", quick)), tmp_path, clock)
    client = AsgiClient(app, HERE)
    try:
        assert client.loop.run(_beside(client, may_end.set)) == ("quick", ["slow"] * MANY)
    finally:
        client.close()
    assert most == application.AT_ONCE[turn]


async def _beside(client: AsgiClient, then: Callable[[], None]) -> tuple[str, list[str]]:
    """Ask for much, for something quick while that waits, and then let it end."""
    slow = [asyncio.create_task(client.asked("GET", "/slow")) for _ in range(MANY)]
    try:
        await asyncio.sleep(0.2)
        quick = await asyncio.wait_for(client.asked("GET", "/quick"), 5)
    finally:
        then()
    return quick.text, [answer.text for answer in await asyncio.gather(*slow)]
