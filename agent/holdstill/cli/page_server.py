"""Builds the page of a store, and serves it."""

from __future__ import annotations

import logging
import os
import stat
from typing import TYPE_CHECKING

import uvicorn

from holdstill.cli.page_protocol import PromptProtocol
from holdstill.errors import PreflightError
from holdstill.page import application
from holdstill.page.application import Site
from holdstill.page.board import BoardPages
from holdstill.page.entrance import Entrance
from holdstill.page.guess_limit import GuessLimit
from holdstill.page.links import Links
from holdstill.page.overview import OverviewPages
from holdstill.page.sessions import Sessions
from holdstill.page.templates import Templates
from holdstill.system import libc
from holdstill.workflow import explain

if TYPE_CHECKING:
    import socket
    from collections.abc import Sequence
    from pathlib import Path

    from starlette.types import ASGIApp

    from holdstill.page.addresses import Addresses
    from holdstill.page.keeper_view import KeeperView
    from holdstill.page.roles import Role
    from holdstill.page.visit import Page
    from holdstill.system.clocks import Clock

CONNECTIONS = 256
"""At a time; whoever comes then is told to come back (503)."""
_ARENAS = 2
"""Of the C library's memory; by default it has eight for each processor, none ever given back."""


def site(
    keeper: KeeperView,
    *more: Page,
    links: Path,
    addresses: Addresses,
    clock: Clock,
    let_in: Role | None = None,
) -> ASGIApp:
    """Return the application for a store.

    Args:
        keeper: the store.
        more: pages beside those of boards.
        links: folder of one-time links.
        addresses: by which it may be asked for.
        clock: by which sessions and links end.
        let_in: the role of everybody, where a proxy has a login of its own.
    """
    entrance = Entrance(
        Links(links, clock), Sessions(clock), GuessLimit(clock), is_secure=addresses.is_secure
    )
    pages = (*OverviewPages(keeper).pages, *BoardPages(keeper).pages, *more)
    return application.create(
        Site(
            pages=pages,
            entrance=entrance,
            addresses=addresses,
            templates=Templates(os.uname().nodename),
            explain=explain.explained,
            let_in=let_in,
        )
    )


def check_private(folder: Path, option: str) -> None:
    """Refuse a folder of links in which others could put one, or see one.

    Raises:
        PreflightError: it is one.
        OSError: it cannot be looked at.
    """
    found = folder.lstat()
    if (
        not stat.S_ISDIR(found.st_mode)
        or found.st_uid != os.geteuid()
        or stat.S_IMODE(found.st_mode) & 0o077
    ):
        raise PreflightError(
            f"{folder} is no folder of this user alone, and must be one",
            hint=f"`chmod 700 {folder}`, as its owner; or name another one with {option}",
        )


def serve(app: ASGIApp, sockets: Sequence[socket.socket]) -> None:
    """Serve until a signal comes; what is being answered then has five seconds.

    Requests are in no log: the address of one may hold a link that lets somebody in.
    """
    libc.limit_arenas(_ARENAS)
    logging.basicConfig(level=logging.WARNING, format="%(name)s: %(message)s")
    config = uvicorn.Config(
        app, http=PromptProtocol, ws="none", lifespan="on", loop="asyncio", log_config=None,
        access_log=False, server_header=False, proxy_headers=False,
        limit_concurrency=CONNECTIONS, timeout_keep_alive=10, timeout_graceful_shutdown=5,
    )  # fmt: skip
    uvicorn.Server(config).run(sockets=list(sockets))
