"""The daemon as systemd would start it: a process, its signals, its words, its exit code."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from holdstill.model.nightly_state import DaemonStatus, NightlyState, Phase
from support import keys, programs
from support.listener import listening

if TYPE_CHECKING:
    from collections.abc import Iterator

HOLDSTILL = Path(sys.executable).with_name("holdstill")
CANARY = "canary-5b20c1"
SOON = 5.0
"""Seconds: on an idle machine it is a third of one, on a busy one the interpreter takes its time.
Whoever waits for the next beat, or for a silent keeper, takes 20 at least."""
pytestmark = pytest.mark.timeout(120)


@dataclass
class Place:
    """A board's settings and what they name, all below one folder; memory apart."""

    folder: Path
    memory: Path
    keeper: str = "/srv/nowhere"
    extra: list[str] = field(default_factory=list)

    @property
    def settings(self) -> Path:
        path = self.folder / "board.yaml"
        (self.folder / "urls").touch(mode=0o600)
        lines = [
            "board: pier-3",
            f"keeper: {self.keeper}",
            f"key: {self.folder / 'key'}",
            f"host_keys: {self.folder / 'host_keys'}",
            f"state: {self.folder / 'state'}",
            f"spool: {self.memory}",
            "nightly: {spread_minutes: 0, settle_minutes: 0, clock_minutes: 0, retry_hours: 0}",
            f"notify: {{urls_file: {self.folder / 'urls'}, metrics_file: {self.metrics}}}",
            *self.extra,
        ]
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    @property
    def metrics(self) -> Path:
        return self.folder / "holdstill.prom"

    def missed_a_night(self) -> None:
        """Make the next start begin a run at once."""
        state = self.folder / "state"
        state.mkdir(mode=0o700)
        nightly_state = NightlyState(served="2026-01-01")
        (state / "nights.json").write_bytes(msgspec.json.encode(nightly_state))

    @property
    def nightly_state(self) -> NightlyState:
        return msgspec.json.decode(
            (self.folder / "state/nights.json").read_bytes(), type=NightlyState
        )

    @property
    def live(self) -> DaemonStatus | None:
        try:
            return msgspec.json.decode(
                (self.memory / "nightly.json").read_bytes(), type=DaemonStatus
            )
        except FileNotFoundError:
            return None


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    memory = Path("/dev/shm") / f"holdstill-test-{os.getpid()}"  # noqa: S108  memory is the point
    memory.mkdir(mode=0o700)
    yield Place(tmp_path, memory)
    shutil.rmtree(memory)


@dataclass
class Daemon:
    """A running daemon, and the socket on which it talks to its manager."""

    process: subprocess.Popen[bytes]
    wire: socket.socket

    def said(self, line: bytes) -> None:
        """Wait until it says a line."""
        while self.wire.recv(4096) != line:
            pass

    def stop(self, number: int = signal.SIGTERM) -> float:
        """Tell it to stop; return how long it took."""
        began = time.monotonic()
        self.process.send_signal(number)
        self.process.wait(20)
        return time.monotonic() - began


@contextmanager
def running(place: Place) -> Iterator[Daemon]:
    notify = place.folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
        wire.bind(str(notify))
        wire.settimeout(60)
        environment = os.environ | {"NOTIFY_SOCKET": str(notify), "JOURNAL_STREAM": "8:1"}
        process = subprocess.Popen(
            [HOLDSTILL, "nightly", "--settings", place.settings],
            env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        try:
            with process:
                try:
                    yield Daemon(process, wire)
                finally:
                    process.kill()
        finally:
            notify.unlink()


def until(what: object) -> None:
    """Wait until a question is answered with yes."""
    assert callable(what)
    deadline = time.monotonic() + 60
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def status(place: Place) -> tuple[int, dict[str, dict[str, object]]]:
    done = programs.attempt(
        *(str(HOLDSTILL), "status", "--settings", place.settings, "--json"),
        *("--keeper-settings", place.folder / "none.yaml"),
    )
    return done.returncode, json.loads(done.stdout)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
def test_it_gets_ready_waits_and_ends_politely_and_soon(place: Place, number: int) -> None:
    with running(place) as daemon:
        daemon.said(b"READY=1")
        until(lambda: place.live is not None and place.live.phase is Phase.WAITING)
        seconds = daemon.stop(number)
        daemon.said(b"STOPPING=1")

    assert daemon.process.returncode == 0
    assert seconds < SOON
    assert place.nightly_state.last is None


def test_there_is_one_daemon_and_status_sees_it(place: Place) -> None:
    with running(place) as daemon:
        until(lambda: place.live is not None and place.live.phase is Phase.WAITING)
        second = programs.attempt(HOLDSTILL, "nightly", "--settings", place.settings)
        code, shown = status(place)
        daemon.stop()
    code_after, shown_after = status(place)

    assert second.returncode == 3
    assert b"is at work on this board already" in second.stderr
    assert (code, shown["board"]["is_running"]) == (0, True)
    assert shown["board"]["due"] == shown_after["board"]["due"]
    assert (code_after, shown_after["board"]["is_running"]) == (8, False)
    assert place.metrics.read_bytes().startswith(b"# HELP holdstill_next_run_timestamp_seconds")
    assert place.metrics.stat().st_mode & 0o777 == 0o644


def test_a_run_that_waits_for_a_silent_keeper_ends_politely_and_soon(
    place: Place,
) -> None:
    keys.make_key(place.folder / "key")
    with socket.create_server(("127.0.0.1", 0)) as deaf:  # connects, and never says a word
        port = deaf.getsockname()[1]
        place.keeper = f"ssh://keeper@127.0.0.1:{port}"
        public = (place.folder / "key.pub").read_text(encoding="utf-8").split()[:2]
        pin = f"[127.0.0.1]:{port} {' '.join(public)}\n"
        (place.folder / "host_keys").write_text(pin, encoding="utf-8")
        place.missed_a_night()
        with running(place) as daemon:
            connection, _ = deaf.accept()
            with connection:
                until(lambda: place.live is not None and place.live.phase is Phase.RUNNING)
                seconds = daemon.stop()

    assert daemon.process.returncode == 0
    assert seconds < SOON
    # It was asked to end: no failure to tell, and the night is made up for at the next start.
    assert (place.nightly_state.last, place.nightly_state.served) == (None, "2026-01-01")
    assert place.live is not None
    assert place.live.phase is not Phase.RUNNING


def test_a_failed_night_is_told_once_and_its_secrets_are_nowhere(place: Place) -> None:
    place.missed_a_night()
    with listening() as server:
        urls = place.folder / "urls"
        urls.write_text(server.url(CANARY) + "\n", encoding="utf-8")
        urls.chmod(0o600)
        said = b""
        for _ in range(2):
            with running(place) as daemon:
                until(lambda: server.posts and place.nightly_state.outbox == ())
                until(lambda: place.live is not None and place.live.phase is Phase.WAITING)
                daemon.stop()
                said += b"".join(daemon.process.communicate())
    code, shown = status(place)

    assert [post["title"] for _, post in server.posts] == ["pier-3: no capture"]
    assert place.nightly_state.last is not None
    assert (code, place.nightly_state.last.code) == (6, 6)
    assert b"<3>no capture, exit code 6: /srv/nowhere holds no store just now" in said
    files = [path for path in place.folder.rglob("*") if path.is_file() and path.name != "urls"]
    kept = b"".join(path.read_bytes() for path in (*files, *place.memory.iterdir()))
    assert CANARY.encode() not in said + kept + json.dumps(shown).encode()


def test_settings_that_make_no_sense_are_refused_at_once(place: Place) -> None:
    place.extra = ["nightli: {}"]

    done = programs.attempt(HOLDSTILL, "nightly", "--settings", place.settings)

    assert done.returncode == 2
    assert b'did you mean "nightly"' in done.stderr


@pytest.mark.skipif(os.geteuid() != 0, reason="needs to become somebody else")
def test_status_tells_a_stranger_to_ask_as_root(place: Place) -> None:
    with tempfile.TemporaryDirectory() as folder:  # tmp_path is closed to strangers further up
        Path(folder).chmod(0o755)
        place.folder = Path(folder)
        settings = place.settings
        settings.chmod(0o644)
        (place.folder / "state").mkdir(mode=0o700)

        done = programs.attempt(
            *("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"),
            *(HOLDSTILL, "status", "--settings", settings),
        )

    assert done.returncode == 4
    assert b"nights.json is not yours to read" in done.stderr
