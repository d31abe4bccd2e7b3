"""A page that is killed in the middle of an image: what it left is told, and done again."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
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
        connection = HTTPConnection("127.0.0.1", self._port, timeout=60)
        headers = {"Cookie": self._cookie, "Origin": f"http://127.0.0.1:{self._port}"}
        connection.request(method, path, urlencode(fields) if fields else None, headers)
        answer = connection.getresponse()
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


def children(pid: int) -> list[int]:
    """Return the processes that a process has started (proc(5))."""
    lists = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(each) for path in lists for each in path.read_text(encoding="ascii").split()]


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    return stat.rpartition(")")[2].split()[0] != "Z"


def test_a_killed_page_leaves_a_job_that_is_told_as_interrupted_and_made_again(
    tmp_path: Path,
) -> None:
    store, work = plain_board.captured(tmp_path / "plain").store, tmp_path / "work"
    work.mkdir(mode=0o700)
    capture = next((store / "boards/pier-3/captures").iterdir()).name
    form = f"/boards/pier-3/{capture}/image"

    with served(store, work, tmp_path / "log") as (page, browser):
        page_jobs.until(lambda: "Make the image" in browser.ask("GET", form)[2])
        _, job, _ = browser.ask(
            "POST", form, size="160M", format=".img.xz", identity="replacement"
        )
        page_jobs.until(lambda: bool(list(work.glob("*/.*.draft"))))
        doing = children(page.pid)
        page.send_signal(signal.SIGKILL)
        page.wait()

    assert doing
    page_jobs.until(lambda: not any(map(is_there, doing)), seconds=30)
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
