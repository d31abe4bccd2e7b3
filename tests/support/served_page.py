"""The keeper's page, served by the command itself, for a browser."""

from __future__ import annotations

import socket
from contextlib import contextmanager
from dataclasses import dataclass
from subprocess import PIPE, Popen
from typing import TYPE_CHECKING

from support.boards import PROGRAM

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@dataclass(frozen=True)
class Served:
    """A page that is served, and a link to it."""

    here: str
    link: str


@contextmanager
def served(store: Path, *words: str) -> Iterator[Served]:
    """Hold a page of a store at a free port; it must end well."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    line = [*PROGRAM, "page", "--store", str(store), "--port", str(port), *words]
    with Popen(line, stdout=PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            yield Served(f"http://localhost:{port}", server.stdout.readline().strip())
        finally:
            server.terminate()
    assert server.returncode == 0


@contextmanager
def making_images(store: Path, folder: Path) -> Iterator[Served]:
    """Hold a page that may make images, in a folder of its own inside this one."""
    work = folder / "work"
    work.mkdir(mode=0o700)
    with served(store, "--work", str(work), "--role", "images") as page:
        yield page
