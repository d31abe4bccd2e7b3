"""Jobs of a page, waited for."""

from __future__ import annotations

import re
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.cli import page_images
from holdstill.keeper import store as stores
from holdstill.page.roles import Role
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import keeping, page
from support.keeping import FakeClock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from support.page import Visited

TIMEOUT = 150.0
"""Seconds for what takes two seconds on a machine with nothing else to do."""
ENDED = ("done", "failed", "cancelled", "interrupted")


@contextmanager
def visited(store: Path, folder: Path, *, role: Role = Role.IMAGES) -> Iterator[Visited]:
    """Hold the page of a store, visited by somebody with a role; its jobs are in folder/work."""
    work = folder / "work"
    work.mkdir(mode=0o700, exist_ok=True)
    settings = keeping.no_limits(store)
    with (
        page_images.opened(store, work, settings, SystemClock(), days=7) as images,
        page.opened(
            stores.open_store(store),
            folder,
            clock=FakeClock(),
            runner=LocalRunner(),
            images=images,
        ) as found,
    ):
        found.enter(role)
        yield found


def until(true: Callable[[], bool], *, seconds: float = TIMEOUT) -> None:
    """Wait for something to be true."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"not within {seconds} s"
        time.sleep(0.05)


def form(visit: Visited, capture: str, query: str = "") -> str:
    """Return the form for an image, once its capture was measured."""
    where = f"/boards/{capture}/image{query}"
    until(lambda: "being found out" not in visit.client.get(where).text)
    return visit.client.get(where).text


def ordered(visit: Visited, capture: str, **fields: str) -> str:
    """Order an image; return the address of its job."""
    form(visit, capture, f"?disk={fields['disk']}" if "disk" in fields else "")
    chosen = {"size": "160M", "format": ".img", "identity": "replacement"} | fields
    answer = visit.post(f"/boards/{capture}/image", **chosen)
    assert answer.status == 303, answer.text
    return answer.headers["location"].partition("?")[0]


def ended(visit: Visited, job: str, *, seconds: float = TIMEOUT) -> str:
    """Wait for a job to end; return its page."""
    until(lambda: "Do it again" in visit.client.get(job).text, seconds=seconds)
    return visit.client.get(job).text


def links(text: str) -> list[str]:
    """Return the addresses that a page offers as downloads."""
    return re.findall(r'<a href="([^"]+)" download>', text)
