"""A page on a store, and somebody who visits it, without a server."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from holdstill.cli import page_captures, page_job, page_server
from holdstill.page.addresses import Addresses
from holdstill.page.images import ImagePages
from holdstill.page.links import Links
from holdstill.page.roles import Role
from holdstill.workflow.keeper_page import KeeperPage
from holdstill.workflow.page_images import CaptureOffers
from support import keeping
from support.asgi_client import AsgiClient
from support.keeping import FakeClock, FakeSignatures

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.keeper.store import Store
    from holdstill.system.process import Runner
    from support.asgi_client import Answer

HERE = "http://localhost:8642"


@dataclass
class Visited:
    """A page, and what it is made of."""

    client: AsgiClient
    links: Links
    keeper: KeeperPage

    def post(self, path: str, origin: str | None = HERE, **fields: str) -> Answer:
        """Send a form that comes from this page."""
        return self.client.post(path, {} if origin is None else {"Origin": origin}, **fields)

    def text(self, path: str) -> str:
        """Return a page, as somebody sees it who has just come in."""
        self.enter()
        answer = self.client.get(path)
        assert answer.status == 200, answer.text
        return answer.text

    def enter(self, role: Role = Role.LOOK) -> str:
        """Come in by a new link; return the session's cookie."""
        entered = self.post("/enter", link=self.links.make(role))
        assert entered.status == 303, entered.text
        return self.client.cookies["holdstill"]


@contextmanager
def opened(
    store: Store,
    folder: Path,
    *,
    clock: FakeClock,
    runner: Runner | None = None,
    public: str = "",
    let_in: Role | None = None,
    images: ImagePages | None = None,
) -> Iterator[Visited]:
    """Hold the page of a store; folder: where its links are kept; images: none are made else."""
    links = folder / "links"
    links.mkdir(mode=0o700, exist_ok=True)
    runner = runner or FakeSignatures()
    keeper = KeeperPage(store, keeping.no_limits(store.root), clock=clock, runner=runner)
    indexes = folder / "indexes"
    indexes.mkdir(exist_ok=True)
    more = page_captures.pages(store, runner, indexes)
    addresses = Addresses.parse(public)
    images = images or ImagePages(
        CaptureOffers(partial(page_job.measure, store.root), clock), None
    )
    app = page_server.site(
        keeper, *images.pages, *more, links=links, addresses=addresses, clock=clock, let_in=let_in
    )
    client = AsgiClient(app, public or HERE)
    try:
        yield Visited(client, Links(links, clock), keeper)
    finally:
        client.close()
