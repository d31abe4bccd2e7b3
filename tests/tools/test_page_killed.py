"""A page that is killed in the middle of an image: what it left is told, and done again."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from contextlib import closing, contextmanager, suppress
from http.client import HTTPConnection
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import pytest

from holdstill.page.job_records import JobState
from support import page_jobs, plain_board

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.timeout(400)
COMMAND = Path(sys.executable).with_name("holdstill")


class Browser:
    """Somebody at a page that is served by a process."""

    def __init__(self, port: int, link: str) -> None:
        self._port, self._cookie = port, ""
        answer = self.ask("POST", "/enter", link=link)
        self._cookie = answer[1].partition(";")[0]

    def ask(self, method: str, path: str, **fields: str) -> tuple[int, str, str]:
        """Return status, cookie or new address, and body."""
        headers = {"Cookie": self._cookie, "Origin": f"http://127.0.0.1:{self._port}"}
        with closing(HTTPConnection("127.0.0.1", self._port, timeout=60)) as connection:
            connection.request(method, path, urlencode(fields) if fields else None, headers)
            with connection.getresponse() as answer:
                more = answer.headers.get("Set-Cookie") or answer.headers.get("Location") or ""
                return answer.status, more, answer.read().decode()


@contextmanager
def served(
    store: Path, work: Path, log: Path
) -> Iterator[tuple[subprocess.Popen[bytes], Browser]]:
    """Hold a page in a process of its own, and somebody at it."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    words = ("page", "--store", store, "--work", work, "--role", "images", "--port", f"{port}")
    with (
        log.open("wb") as output,
        subprocess.Popen([COMMAND, *words], stdout=output, stderr=output) as child,
    ):
        try:
            page_jobs.until(lambda: b"link=" in log.read_bytes())
            found = re.search(r"link=(\S+)", log.read_text(encoding="ascii"))
            assert found is not None
            page_jobs.until(lambda: is_open(port))
            yield child, Browser(port, found[1])
        finally:
            child.kill()


def is_open(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def at_work(folder: Path) -> list[str]:
    """Return the processes that do jobs in a folder, and what these have started (proc(5))."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # it has ended meanwhile
            line = (process / "cmdline").read_bytes()
            if os.fsencode(folder) in line and b"--work" not in line:
                found.append(process.name)
    return found


def test_a_killed_page_leaves_a_job_that_is_told_as_interrupted_and_made_again(
    tmp_path: Path,
) -> None:
    store, work = plain_board.captured(tmp_path).store, tmp_path / "pages"
    work.mkdir(mode=0o700)
    capture = next((store / "boards/pier-3/captures").iterdir()).name
    form = f"/boards/pier-3/{capture}/image"

    with served(store, work, tmp_path / "log") as (page, browser):
        page_jobs.until(lambda: "Make the image" in browser.ask("GET", form)[2])
        _, job, _ = browser.ask(
            "POST", form, size="160M", format=".img.xz", identity="replacement"
        )
        page_jobs.until(lambda: bool(list(work.glob("*/.pier-3*.draft"))))
        doing = at_work(work)
        page.send_signal(signal.SIGKILL)
        page.wait()

    assert doing
    page_jobs.until(lambda: not at_work(work), seconds=60)
    with served(store, work, tmp_path / "log") as (page, browser):
        text = browser.ask("GET", job)[2]
        left = [each.name for each in work.glob("*/*") if each.suffix not in {".json", ""}]
        status, job, _ = browser.ask("POST", f"{job.partition('?')[0]}/again", now="1")
        page_jobs.until(lambda: "sha256sum -c" in browser.ask("GET", job)[2])
        began = time.monotonic()
        page.terminate()
        page.wait(timeout=30)

    assert str(JobState.INTERRUPTED) in text
    assert left == []
    assert status == 303
    assert time.monotonic() - began < 30
