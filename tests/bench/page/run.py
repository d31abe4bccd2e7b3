"""Measure the keeper's page on a large store: how long pages take, and how much memory it takes.

    PYTHONPATH=tests .venv/bin/python tests/bench/page/run.py --boards 500 --captures 30

The store is made first, which takes minutes, or is one that was made before (--store). Its
signatures are real, and are checked by ssh-keygen when a page asks for them first.
"""

from __future__ import annotations

import argparse
import http.client
import statistics
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from subprocess import PIPE, Popen
from typing import TYPE_CHECKING
from urllib.parse import urlencode, urlsplit

from bench import measured
from support import big_store
from support.boards import PROGRAM

if TYPE_CHECKING:
    from collections.abc import Iterator

N = 20
"""Times that each page is asked for, after the first."""


@dataclass
class Visitor:
    """Somebody who was let in."""

    host: str
    port: int
    cookie: str = ""

    def enter(self, link: str) -> None:
        """Exchange a link for a session."""
        headers = {"Origin": f"http://{self.host}:{self.port}",
                   "Content-Type": "application/x-www-form-urlencoded"}  # fmt: skip
        token = urlsplit(link).query.removeprefix("link=")
        answer = self._asked("POST", "/enter", urlencode({"link": token}), headers)
        assert answer.status == 303, answer.status
        self.cookie = answer.headers["Set-Cookie"].split(";")[0]

    def seconds(self, path: str) -> float:
        """Ask for a page; return how long that took."""
        begun = time.monotonic()
        answer = self._asked("GET", path, "", {"Cookie": self.cookie})
        assert answer.status == 200, (path, answer.status)
        return time.monotonic() - begun

    def _asked(
        self, method: str, path: str, body: str, headers: dict[str, str]
    ) -> http.client.HTTPResponse:
        connection = http.client.HTTPConnection(self.host, self.port, timeout=300)
        connection.request(method, path, body, headers)
        answer = connection.getresponse()
        answer.read()
        connection.close()
        return answer


@contextmanager
def served(store: Path, port: int) -> Iterator[tuple[Visitor, int]]:
    """Hold a page of a store; yield somebody in it, and the server's process id."""
    words = [*PROGRAM, "page", "--store", str(store), "--port", str(port)]
    with Popen(words, stdout=PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            link, visitor = server.stdout.readline(), Visitor("localhost", port)
            for _ in range(100):
                time.sleep(0.1)
                try:
                    visitor.enter(link.strip())
                    break
                except ConnectionRefusedError:
                    continue
            yield visitor, server.pid
        finally:
            server.terminate()


def resident(pid: int) -> float:
    """Return MiB of a process that are in memory (proc_pid_status(5))."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    (line,) = (line for line in status.splitlines() if line.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024


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
        store = (
            chosen.store
            or big_store.make(Path(name), boards=chosen.boards, captures=chosen.captures).root
        )
        runs = list(measure(store, chosen.port))
    head = "".join(f"{key}: {value}\n" for key, value in measured.machine().items())
    table = "\n".join(run.line for run in runs)
    measured.write_down(
        "page",
        runs,
        f"""# The keeper's page

{head}
{chosen.boards} boards with {chosen.captures} captures each; times in ms, then n={N}.

| page | first | median | worst | MiB in memory |
|---|---|---|---|---|
{table}
""",
    )


def measure(store: Path, port: int) -> Iterator[Run]:
    """Ask for each page, first and again; yield how long it took."""
    with served(store, port) as (visitor, pid):
        for page in ("/", "/?sort=size&name=7", "/boards/pier-001", "/boards/pier-002"):
            first = visitor.seconds(page) * 1000
            then = [visitor.seconds(page) * 1000 for _ in range(N)]
            yield Run(page, first, resident(pid), then)


if __name__ == "__main__":
    main()
