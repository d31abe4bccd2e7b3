"""Real database servers for root tests, each in a directory of its own, gone with the block."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

POSTGRESQL = Path("/usr/lib/postgresql")
"""Debian keeps each major version's programs in a directory below."""


@contextmanager
def home_of(user: str) -> Iterator[Path]:
    """Make a directory that an unprivileged server can reach; pytest's own are for root only."""
    place = Path(tempfile.mkdtemp(prefix="hs-"))
    # The folder that tests/run makes is for its owner only.
    place.parent.chmod(place.parent.stat().st_mode | 0o011)
    account = pwd.getpwnam(user)
    os.chown(place, account.pw_uid, account.pw_gid)
    try:
        yield place
    finally:
        shutil.rmtree(place)


@contextmanager
def server(user: str, *words: str | Path, log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Run a server as a user for the length of the block."""
    account = pwd.getpwnam(user)
    with log.open("ab") as said:
        process = subprocess.Popen(
            [os.fspath(word) for word in words],
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=said,
            user=account.pw_uid,
            group=account.pw_gid,
            extra_groups=[],
            cwd="/",
            env=programs.PLAIN,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(timeout=15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=5)


def await_answer(
    ask: Callable[[], bool],
    log: Path,
    *,
    seconds: float = 20,
    alive: Callable[[], bool] = lambda: True,
) -> None:
    """Wait until a server answers; fail with its log, at once when it has ended."""
    deadline = time.monotonic() + seconds
    while not ask():
        is_hopeful = alive() and time.monotonic() < deadline
        assert is_hopeful, log.read_text(encoding="utf-8", errors="replace")
        time.sleep(0.05)


def answers(*words: str | Path) -> bool:
    """Tell whether a client succeeds."""
    return programs.attempt(*words).returncode == 0


def free_port() -> int:
    """Return a port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def postgresql_program(name: str) -> Path:
    """Return a program of the newest PostgreSQL that is installed."""
    found = sorted(POSTGRESQL.glob(f"*/bin/{name}"))
    assert found, f"{name} is not installed; tests/run installs what tests need"
    return found[-1]


@contextmanager
def postgresql(*options: str) -> Iterator[Path]:
    """Run PostgreSQL on a socket in the directory; its data is in `data` there."""
    with home_of("postgres") as home:
        make_postgresql(home / "data")
        with postgresql_on(home / "data", home, *options):
            yield home


def make_postgresql(data: Path, *words: str) -> None:
    """Make an empty cluster; words: more for initdb."""
    initdb = postgresql_program("initdb")
    programs.run("runuser", "-u", "postgres", "--", initdb, "-A", "trust", "-N", *words, data)


@contextmanager
def postgresql_on(data: Path, home: Path, *options: str) -> Iterator[None]:
    """Run PostgreSQL on this cluster, with its socket and its log in the directory home."""
    postgres, log = postgresql_program("postgres"), home / "log"
    words: list[str | Path] = [postgres, "-D", data, "-k", home, "-c", "listen_addresses="]
    settings = [word for option in options for word in ("-c", option)]
    with server("postgres", *words, *settings, log=log) as running:
        ready = postgresql_program("pg_isready")
        await_answer(
            lambda: answers(ready, "-q", "-h", home), log, alive=lambda: running.poll() is None
        )
        yield


@contextmanager
def mariadb() -> Iterator[Path]:
    """Run MariaDB on the socket `socket` in the directory; root may log in without a password."""
    with home_of("mysql") as home:
        make_mariadb(home / "data", home)
        with mariadb_on(home / "data", home):
            yield home


def make_mariadb(data: Path, home: Path) -> None:
    """Make an empty data directory; home: for its temporary files."""
    programs.run(
        "mariadb-install-db", "--no-defaults", "--user=mysql", f"--datadir={data}",
        f"--tmpdir={home}", "--auth-root-authentication-method=normal", "--skip-test-db",
    )  # fmt: skip


@contextmanager
def mariadb_on(data: Path, home: Path) -> Iterator[None]:
    """Run MariaDB on this data, with its socket and its log in the directory home."""
    log, listening = home / "log", home / "socket"
    words = ["--no-defaults", f"--datadir={data}", f"--socket={listening}", f"--tmpdir={home}"]
    words += ["--skip-networking", f"--pid-file={home}/pid", "--innodb-buffer-pool-size=32M"]
    with server("mysql", programs.path_of("mariadbd"), *words, log=log) as running:
        await_answer(
            lambda: answers("mariadb", f"--socket={listening}", "-e", "SELECT 1"),
            log,
            alive=lambda: running.poll() is None,
        )
        yield


@contextmanager
def redis(*options: str) -> Iterator[Path]:
    """Run Redis on the socket `socket` in the directory."""
    with home_of("redis") as home:
        log, listening = home / "log", home / "socket"
        words: list[str | Path] = [
            "--port",
            "0",
            "--unixsocket",
            listening,
            "--dir",
            home,
            *options,
        ]
        with server("redis", programs.path_of("redis-server"), *words, log=log):
            await_answer(listening.is_socket, log)
            yield home


@contextmanager
def mosquitto(home: Path, *options: str) -> Iterator[int]:
    """Run Mosquitto in a directory of its user; yield its port."""
    port, log = free_port(), home / "log"
    settings = [f"listener {port} 127.0.0.1", "allow_anonymous true", *options]
    settings += [f"pid_file {home}/pid", f"persistence_location {home}/"]
    (home / "conf").write_text("\n".join(settings) + "\n", encoding="utf-8")
    with server("mosquitto", programs.path_of("mosquitto"), "-c", home / "conf", log=log):
        topic = ("-p", str(port), "-t", "ready", "-m", "ready")
        await_answer(lambda: answers("mosquitto_pub", *topic), log)
        yield port
