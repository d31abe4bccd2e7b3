"""Measure the keeper's page on a large store: how long pages take, and how much memory it takes.

    PYTHONPATH=tests .venv/bin/python tests/bench/page/run.py --boards 500 --captures 30

The store is made first, which takes minutes, or is one that was made before (--store). Its
signatures are real, and are checked by ssh-keygen when a page asks for them first. One more board
has a folder of 100,000 files, and large ones to take out.
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import tempfile
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path
from typing import TYPE_CHECKING

from bench import measured
from holdstill.keeper import enrolment
from holdstill.keeper import store as stores
from holdstill.model import names
from holdstill.system.clocks import SystemClock
from support import big_store, keys, page_visitor, signed_store
from support.keeping import FakeClock

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.keeper.store import Store
    from support.page_visitor import Visitor

N = 20
"""Times that each page is asked for, after the first."""
FILES, LARGE, SIZE = 100_000, 25, 4 << 20
"""Files of the folder; of those that are taken out, and the bytes of each."""
STALLED = 50
FULL = "harbour-light"
"""The board with the folder."""


@dataclass
class Run:
    """What was measured; milliseconds, and MiB in memory afterwards."""

    page: str
    first_ms: float
    resident_mib: float
    then_ms: list[float] = field(default_factory=list)

    @property
    def line(self) -> str:
        """A line of a table."""
        median, worst = statistics.median(self.then_ms), max(self.then_ms)
        return (
            f"| {self.page} | {self.first_ms:.0f} | {median:.0f} | {worst:.0f} "
            f"| {self.resident_mib:.0f} |"
        )


def main() -> None:
    """Run it and write down what came out."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--boards", type=int, default=500)
    words.add_argument("--captures", type=int, default=30)
    words.add_argument("--store", type=Path)
    words.add_argument("--port", type=int, default=8643)
    words.add_argument("--folder", default="/var/tmp")  # noqa: S108  a disk, not memory
    chosen = words.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
        folder = Path(name)
        store = (
            stores.open_store(chosen.store)
            if chosen.store
            else big_store.make(folder, boards=chosen.boards, captures=chosen.captures)
        )
        capture = filled(store, folder)
        runs = [*pages(store.root, chosen.port), *contents(store.root, chosen.port, capture)]
    head = "".join(f"{key}: {value}\n" for key, value in measured.machine().items())
    table = "\n".join(run.line for run in runs)
    measured.write_down(
        "page",
        runs,
        f"""# The keeper's page

{head}
{chosen.boards} boards with {chosen.captures} captures each, and {FULL} with a folder of {FILES:,}
files; times in ms over a connection that is kept, the first, then n={N}. The page begins anew
where its memory is that of pages alone, and once more for each kind of content.

| page | first | median | worst | MiB in memory |
|---|---|---|---|---|
{table}
""",
    )


def filled(store: Store, folder: Path) -> str:
    """Add the board with the folder, if it is not there; return the address of its capture."""
    board = names.check_board(FULL)
    if board not in store.boards():
        pair = keys.make_key(folder / FULL)
        enrolment.enrol(store, board, pair.public, clock=SystemClock(), limits=None)
        files = {b"many/%06d.txt" % number: b"same" for number in range(FILES)}
        files |= {b"large/%02d" % number: os.urandom(SIZE) for number in range(LARGE)}
        clock = FakeClock(SystemClock().now())
        signed_store.capture(store, FULL, pair.private, files, clock=clock)
    (capture,) = (store.board_folder(board) / "captures").iterdir()
    return f"/boards/{FULL}/{capture.name}"


def pages(store: Path, port: int) -> Iterator[Run]:
    """Ask for each page of boards, first and again; yield how long it took."""
    with page_visitor.served(store, port) as (somebody, pid):
        for page in ("/", "/?sort=size&name=7", "/boards/pier-001", "/boards/pier-002"):
            yield timed(somebody, pid, page, [page] * (N + 1))


def contents(store: Path, port: int, capture: str) -> Iterator[Run]:
    """Leaf through the folder; then ask for pages while downloads stall."""
    with page_visitor.served(store, port) as (somebody, pid):
        top = f"{capture}/files?part=2&path=many"
        yield timed(somebody, pid, "a folder's pages, one after the other",
                    leafed(somebody, top))  # fmt: skip
    for kind, paths in (
        ("files", [f"{capture}/file?part=2&path=large/{n % LARGE:02}" for n in range(STALLED)]),
        ("folders as tar", [f"{capture}/archive?part=2&path=&as=tar"] * STALLED),
        ("folders as zip", [f"{capture}/archive?part=2&path=&as=zip"] * STALLED),
    ):
        with page_visitor.served(store, port) as (somebody, pid):
            somebody.text("/")
            with somebody.stalled(paths):
                yield timed(somebody, pid, f"/ while {STALLED} {kind} stall", ["/"] * (N + 1))
                yield timed(somebody, pid, f"a folder while {STALLED} {kind} stall",
                            [top] * (N + 1))  # fmt: skip


def timed(somebody: Visitor, pid: int, what: str, paths: Iterator[str] | list[str]) -> Run:
    """Ask for pages, one after the other."""
    took = [somebody.seconds(path) * 1000 for path in paths]
    return Run(what, took[0], page_visitor.resident(pid), took[1:])


def leafed(somebody: Visitor, page: str) -> Iterator[str]:
    """Yield the address of a folder's page, and those that it leads on to."""
    for _ in range(N + 1):
        yield page
        (page,) = re.findall(r'href="([^"]+)">What comes behind', somebody.text(page))
        page = unescape(page)


if __name__ == "__main__":
    main()
