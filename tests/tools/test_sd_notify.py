"""What we say to a service manager, compared with what systemd's own program says."""

from __future__ import annotations

import os
import socket
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

import pytest

from holdstill.system.sd_notify import SdNotify
from support import programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextmanager
def manager(address: str) -> Iterator[socket.socket]:
    """Listen as a service manager does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire:
        wire.bind("\0" + address[1:] if address.startswith("@") else address)
        wire.settimeout(5)
        yield wire


def listen_until_silence(wire: socket.socket, seconds: float) -> None:
    """Hear what comes until nothing has come for so long."""
    wire.settimeout(seconds)
    with suppress(TimeoutError):
        while wire.recv(64):
            pass


@pytest.fixture(params=["a path", "an abstract name"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return str(tmp_path / "notify") if request.param == "a path" else f"@holdstill-{os.getpid()}"


def test_systemd_notify_says_the_same(address: str) -> None:
    with manager(address) as wire:
        supervisor = SdNotify({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "30000000"})
        supervisor.ready()
        supervisor.status("waiting\nfor the night")
        supervisor.alive()
        supervisor.stopping()
        ours = [wire.recv(4096) for _ in range(4)]
        theirs = []
        for word in ("READY=1", "STATUS=waiting for the night", "WATCHDOG=1", "STOPPING=1"):
            environment = f"NOTIFY_SOCKET={address}"
            programs.run("env", environment, "systemd-notify", "--no-block", word)
            theirs.append(wire.recv(4096).strip())

    assert ours == theirs


def test_it_says_that_we_live_while_something_takes_long(address: str) -> None:
    with manager(address) as wire:
        supervisor = SdNotify({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "300000"})
        with supervisor.alive_for(60):
            heard = [wire.recv(64) for _ in range(4)]
        listen_until_silence(wire, 0.01)
        time.sleep(0.5)
        with pytest.raises(TimeoutError):
            wire.recv(64)

    assert heard == [b"WATCHDOG=1"] * 4


def test_it_stops_saying_so_when_it_takes_too_long(address: str) -> None:
    with manager(address) as wire:
        supervisor = SdNotify({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "150000"})
        began = time.monotonic()
        with supervisor.alive_for(0.5):
            listen_until_silence(wire, 0.4)
            fell_silent = time.monotonic() - began

    assert 0.7 < fell_silent < 2


@pytest.mark.parametrize(
    ("environment", "patience"),
    [
        ({}, 0.0),
        ({"WATCHDOG_USEC": "20000000"}, 20.0),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": str(os.getpid())}, 20.0),
        # Inherited from a parent for which it was meant: sd_watchdog_enabled(3).
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "1"}, 0.0),
        ({"WATCHDOG_USEC": "many"}, 0.0),
    ],
)
def test_patience_is_what_the_manager_gave_us(
    environment: dict[str, str], patience: float
) -> None:
    assert SdNotify(environment).patience == patience


def test_nobody_to_talk_to_and_a_manager_that_is_gone_are_no_trouble(tmp_path: Path) -> None:
    SdNotify({}).ready()
    SdNotify({"NOTIFY_SOCKET": str(tmp_path / "gone")}).ready()
