"""The command `holdstill page`, as its own process: where it listens, and whom it lets in."""

from __future__ import annotations

import http.client
import os
import select
import signal
import socket
import stat
import time
from contextlib import contextmanager, suppress
from subprocess import PIPE, Popen, run
from typing import TYPE_CHECKING, NamedTuple

import pytest

from holdstill.cli import page_protocol
from holdstill.system.clocks import SystemClock
from support import programs
from support.boards import PROGRAM
from support.keeping import FakeClock
from support.signed_store import SignedStore

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PUBLIC = "https://boathouse.example"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = SignedStore(tmp_path_factory.mktemp("boathouse"))
    made.enrol("pier-3")
    made.capture("pier-3", {b"etc/hosts": b"x"}, clock=FakeClock(SystemClock().now()))
    return made.root


@pytest.fixture
def port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


class Asked(NamedTuple):
    """What came back."""

    status: int
    cookie: str
    text: str


class ByPath(http.client.HTTPConnection):
    """A connection to a Unix socket, as a proxy makes one."""

    def __init__(self, path: Path) -> None:
        super().__init__("boathouse.example")
        self.path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.connect(os.fspath(self.path))


@contextmanager
def serving(*words: str, before: tuple[str, ...] = ()) -> Iterator[Popen[str]]:
    """Hold a page that serves; it must end well when it is told to."""
    with Popen([*before, *PROGRAM, "page", *words], stdout=PIPE, text=True) as server:
        try:
            yield server
        finally:
            server.send_signal(signal.SIGTERM)
    assert server.returncode == 0


def printed(server: Popen[str]) -> str:
    assert server.stdout is not None
    return server.stdout.readline().strip()


def ask(
    connection: http.client.HTTPConnection,
    method: str = "GET",
    path: str = "/",
    body: str = "",
    **headers: str,
) -> Asked:
    """Ask for a page, as soon as somebody listens."""
    for _ in range(200):
        try:
            connection.request(method, path, body, headers)
            answer = connection.getresponse()
            cookie = answer.headers.get("Set-Cookie", "").split(";")[0]
            return Asked(answer.status, cookie, answer.read().decode())
        except (ConnectionRefusedError, FileNotFoundError):
            time.sleep(0.05)
        finally:
            connection.close()
    raise AssertionError("nobody listens")


def enter(port: int, link: str) -> str:
    """Come in; return the cookie."""
    connection = http.client.HTTPConnection("localhost", port)
    token = link.rpartition("=")[2]
    answer = ask(connection, "POST", "/enter", f"link={token}", Origin=f"http://localhost:{port}")
    assert answer.status == 303
    return answer.cookie


def test_it_listens_at_this_machine_alone_and_prints_a_link(store: Path, port: int) -> None:
    with serving("--store", str(store), "--port", str(port)) as server:
        link = printed(server)
        assert link.startswith(f"http://localhost:{port}/enter?link=")

        cookie = enter(port, link)

        shown = ask(http.client.HTTPConnection("localhost", port), Cookie=cookie)
        assert "pier-3" in shown.text
        # ss(8) says where: a second witness to the address.
        said = programs.run("ss", "-H", "-l", "-t", "-n", f"sport = :{port}").decode()
        assert said.split()[3] == f"127.0.0.1:{port}"


def test_a_port_that_is_taken_is_told(store: Path, port: int) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", port))
        other.listen()
        words = [*PROGRAM, "page", "--store", str(store), "--port", str(port)]
        done = run(words, capture_output=True, text=True, check=False, timeout=60)

    assert done.returncode == 3
    assert "--port" in done.stderr


def test_another_link_is_printed_for_a_page_that_runs(
    store: Path, port: int, tmp_path: Path
) -> None:
    links = tmp_path / "links"
    links.mkdir(mode=0o700)
    here = ("--store", str(store), "--port", str(port), "--links", str(links))
    with serving(*here) as server:
        printed(server)
        another = run(
            [*PROGRAM, "page", *here, "--new-link"],
            capture_output=True, text=True, check=True, timeout=60,
        )  # fmt: skip

        assert enter(port, another.stdout.strip())


def test_links_that_others_could_see_are_refused(store: Path, tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    words = [*PROGRAM, "page", "--store", str(store), "--links", str(tmp_path), "--new-link"]

    done = run(words, capture_output=True, text=True, check=False, timeout=60)

    assert done.returncode == 4
    assert list(tmp_path.iterdir()) == []


def test_a_proxy_comes_by_a_unix_socket_that_others_cannot_use(
    store: Path, tmp_path: Path
) -> None:
    path = tmp_path / "page.sock"
    words = ("--store", str(store), "--socket", str(path), "--reached-as", PUBLIC)
    with serving(*words, "--login-by-proxy"):
        shown = ask(ByPath(path))
        assert "pier-3" in shown.text
        assert stat.S_IMODE(path.stat().st_mode) == 0o660
        assert ask(ByPath(path), Host="localhost").status == 421
    assert not path.exists()


def test_what_a_killed_page_left_behind_is_in_nobodys_way(store: Path, tmp_path: Path) -> None:
    path = tmp_path / "page.sock"
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(os.fspath(path))

    words = ("--store", str(store), "--socket", str(path), "--reached-as", PUBLIC)
    with serving(*words) as server:
        assert printed(server).startswith(f"{PUBLIC}/enter?link=")
        assert ask(ByPath(path)).status == 403


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--login-by-proxy",), "needs the proxy's address"),
        (("--login-by-proxy", "--reached-as", PUBLIC), "every user of this machine"),
        (("--reached-as", "boathouse"), "is not the address of a page"),
        (("--reached-as", f"{PUBLIC}/page"), "is not the address of a page"),
        (("--socket", "/dev/null"), "is no socket"),
    ],
)
def test_what_would_be_unsafe_or_nothing_is_refused(
    store: Path, port: int, words: tuple[str, ...], said: str
) -> None:
    line = [*PROGRAM, "page", "--store", str(store), "--port", str(port), *words]

    done = run(line, capture_output=True, text=True, check=False, timeout=60)

    assert done.returncode == 2
    assert said in done.stderr


def test_it_takes_over_a_socket_of_systemds_and_prints_no_link(
    store: Path, port: int, tmp_path: Path
) -> None:
    links = tmp_path / "links"
    links.mkdir(mode=0o700)
    activate = ("systemd-socket-activate", "-l", f"127.0.0.1:{port}", "-E", "PYTHONPATH")
    with serving("--store", str(store), "--links", str(links), before=activate) as server:
        assert ask(http.client.HTTPConnection("localhost", port)).status == 403
    assert server.stdout is not None


def test_who_asks_for_nothing_keeps_nobody_out_for_long(store: Path, port: int) -> None:
    with serving("--store", str(store), "--port", str(port)) as server:
        printed(server)
        connection = http.client.HTTPConnection("localhost", port)
        assert ask(connection).status == 403  # it listens
        began = time.monotonic()
        idle = [socket.create_connection(("localhost", port)) for _ in range(260)]
        try:
            idle[0].sendall(b"GET / HTTP/1.1\r\nHost: local")
            assert ask(connection).status == 503
            while ask(connection).status == 503:
                assert time.monotonic() - began < 40
                time.sleep(0.5)
        finally:
            for each in idle:
                each.close()


def test_a_page_that_cannot_begin_prints_no_link_and_leaves_none(
    store: Path, port: int, tmp_path: Path
) -> None:
    links, work = tmp_path / "links", tmp_path / "work"
    for folder in (links, work):
        folder.mkdir(mode=0o700)
    words = ("--store", str(store), "--work", str(work), "--links", str(links))
    with serving(*words, "--port", str(port)) as server:
        printed(server)
        (mine,) = links.iterdir()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            other = free.getsockname()[1]
        line = [*PROGRAM, "page", *words, "--port", str(other)]
        done = run(line, capture_output=True, text=True, check=False, timeout=60)

        assert done.returncode == 3  # as errors.py has it for another run
        assert "another page" in done.stderr
        assert done.stdout == ""
        assert list(links.iterdir()) == [mine]


def test_two_lengths_in_a_request_end_its_connection(store: Path, port: int) -> None:
    with serving("--store", str(store), "--port", str(port)) as server:
        printed(server)
        ask(http.client.HTTPConnection("localhost", port))  # it listens
        with socket.create_connection(("localhost", port), timeout=20) as raw:
            raw.sendall(
                b"POST /enter HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\n"
                b"Transfer-Encoding: chunked\r\n\r\n0\r\n\r\n"
                b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"
            )
            said = b"".join(iter(lambda: raw.recv(65536), b""))

    # RFC 9112, 6.1: one answer, and no second request is read.
    assert said.count(b"HTTP/1.1 ") == 1
    assert said.startswith(b"HTTP/1.1 400 ")


def test_who_takes_no_answer_is_not_kept(store: Path, port: int) -> None:
    line = b"GET /styles/x.css HTTP/1.1\r\nHost: localhost\r\n\r\n"
    with serving("--store", str(store), "--port", str(port)) as server, socket.socket() as asking:
        printed(server)
        assert ask(http.client.HTTPConnection("localhost", port)).status == 403  # it listens
        asking.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        asking.connect(("localhost", port))
        asking.settimeout(1)
        with suppress(TimeoutError):
            asking.sendall(line * 10_000)  # more answers than the kernel holds

        waiting = select.poll()
        waiting.register(asking, 0)  # for its end alone, as poll(2) has it
        assert waiting.poll(1000 * (page_protocol.TAKEN + page_protocol.WAIT))
