"""Limits of a line, measured at a real sshd: of rsync and of the control channel, together."""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError, LinkError
from holdstill.model.store_address import HostAddress
from holdstill.system.clocks import SystemClock
from holdstill.transport import metered_line, ssh_session
from holdstill.transport.identity import Identity
from holdstill.transport.rate_limit import RateLimit
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import programs, sshd, thin_line

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.timeout(120)
KIB = 1 << 10
TOLERANCE = 0.1
MEMORY = Path("/dev/shm")  # noqa: S108


@pytest.fixture
def server(tmp_path: Path) -> Iterator[sshd.Sshd]:
    with sshd.running(tmp_path) as running:
        yield running


@pytest.fixture
def counted(server: sshd.Sshd) -> Iterator[thin_line.ThinLine]:
    """A line that counts what passes at the far side of the limit, with the server's key."""
    with thin_line.running(server.port) as line:
        server.known_hosts.write_text(f"[{server.host}]:{line.port} {server.host_key}\n", "ascii")
        yield line


def test_two_transfers_and_the_control_channel_share_one_limit(
    server: sshd.Sshd, counted: thin_line.ThinLine, tmp_path: Path
) -> None:
    rate, clock = 256 * KIB, SystemClock()
    address = HostAddress(server.user, server.host, counted.port)
    identity = Identity(server.client_key, server.known_hosts)
    for number in range(2):
        (tmp_path / f"{number}").write_bytes(os.urandom(900 * KIB))
        (tmp_path / f"there-{number}").mkdir()
    with metered_line.opened(address, RateLimit(clock, lambda: rate)) as line:
        bulk = RsyncTransfer(RsyncEndpoint(address, identity, line), MEMORY, clock)
        began = time.monotonic()
        with ssh_session.connected(address, identity, command="cat", line=line) as channel:
            senders = [
                threading.Thread(
                    target=bulk.send,
                    args=({"f": tmp_path / f"{number}"}, str(tmp_path / f"there-{number}")),
                )
                for number in range(2)
            ]
            for sender in senders:
                sender.start()
            waits = []
            while any(sender.is_alive() for sender in senders):
                asked = time.monotonic()
                assert channel.call(b"x" * 8000) == b"x" * 8000
                waits.append(time.monotonic() - asked)
            seconds = time.monotonic() - began

    assert [(tmp_path / f"there-{n}/f").stat().st_size for n in range(2)] == [900 * KIB] * 2
    total = counted.sent + counted.back
    assert total > 1800 * KIB
    assert rate * (1 - TOLERANCE) < total / seconds < rate * (1 + TOLERANCE)
    assert max(waits) < 5  # nobody is starved


def test_another_limit_holds_at_once_for_a_transfer_that_is_under_way(
    server: sshd.Sshd, counted: thin_line.ThinLine, tmp_path: Path
) -> None:
    clock, limits = SystemClock(), [1024 * KIB]
    address = HostAddress(server.user, server.host, counted.port)
    identity = Identity(server.client_key, server.known_hosts)
    (tmp_path / "f").write_bytes(os.urandom(12000 * KIB))
    (tmp_path / "there").mkdir()
    with metered_line.opened(address, RateLimit(clock, lambda: limits[0])) as line:
        bulk = RsyncTransfer(RsyncEndpoint(address, identity, line), MEMORY, clock)
        sender = threading.Thread(
            target=bulk.send, args=({"f": tmp_path / "f"}, str(tmp_path / "there"))
        )
        sender.start()
        measured = {}
        for limit in (1024 * KIB, 128 * KIB, 512 * KIB):
            limits[0] = limit
            time.sleep(1.5)  # what was on its way, or logging in
            before, began = counted.sent + counted.back, time.monotonic()
            time.sleep(4)
            measured[limit] = (counted.sent + counted.back - before) / (time.monotonic() - began)
        limits[0] = 0
        sender.join(timeout=30)

    assert (tmp_path / "there/f").read_bytes() == (tmp_path / "f").read_bytes()
    assert {limit: pytest.approx(limit, rel=TOLERANCE) for limit in measured} == measured


def test_a_keeper_that_is_not_there_is_told_as_without_a_limit(
    server: sshd.Sshd, tmp_path: Path
) -> None:
    clock, port = SystemClock(), sshd.free_port()
    address = HostAddress(server.user, server.host, port)
    server.known_hosts.write_text(f"[{server.host}]:{port} {server.host_key}\n", "ascii")
    identity = Identity(server.client_key, server.known_hosts)
    (tmp_path / "f").write_bytes(b"x")

    def failures(line: metered_line.MeteredLine | None) -> list[str]:
        found = []
        bulk = RsyncTransfer(RsyncEndpoint(address, identity, line), MEMORY, clock, pauses=(0.01,))
        try:
            bulk.send({"f": tmp_path / "f"}, str(tmp_path))
        except HoldstillError as error:
            found.append(str(error))
        try:
            with ssh_session.connected(address, identity, command="cat", line=line):
                pass
        except LinkError as error:
            found.append(str(error))
        return [text.partition(" (")[0] for text in found]

    with metered_line.opened(address, RateLimit(clock, lambda: 64 * KIB)) as line:
        limited = failures(line)

    assert limited == failures(None)
    assert len(limited) == 2


def test_another_host_key_is_refused_through_a_limited_line(
    server: sshd.Sshd, counted: thin_line.ThinLine, tmp_path: Path
) -> None:
    clock = SystemClock()
    address = HostAddress(server.user, server.host, counted.port)
    other = server.client_key.with_suffix(".pub").read_text("ascii").split()
    server.known_hosts.write_text(
        f"[{server.host}]:{counted.port} {other[0]} {other[1]}\n", "ascii"
    )
    identity = Identity(server.client_key, server.known_hosts)
    (tmp_path / "f").write_bytes(b"x")
    with metered_line.opened(address, RateLimit(clock, lambda: 64 * KIB)) as line:
        bulk = RsyncTransfer(RsyncEndpoint(address, identity, line), MEMORY, clock)
        with pytest.raises(HoldstillError, match="another host key"):
            bulk.send({"f": tmp_path / "f"}, str(tmp_path))
        with (
            pytest.raises(HoldstillError, match="another host key"),
            ssh_session.connected(address, identity, command="cat", line=line),
        ):
            pass


@pytest.mark.skipif(os.geteuid() != 0, reason="another user takes root")
def test_another_user_of_this_machine_is_not_let_through(
    server: sshd.Sshd, counted: thin_line.ThinLine
) -> None:
    address = HostAddress(server.user, server.host, counted.port)
    with metered_line.opened(address, RateLimit(SystemClock(), lambda: 0)) as line:
        nobody = (
            "import encodings.idna, os, socket; os.setuid(65534); "
            f"print(socket.create_connection(('127.0.0.1', {line.port}), 5).recv(99))"
        )
        theirs = programs.run(sys.executable, "-c", nobody)
        ours = programs.run(sys.executable, "-c", nobody.replace("os.setuid(65534)", "pass"))

    assert theirs.strip() == b"b''"
    assert ours.startswith(b"b'SSH-2.0-")
    assert line.failure is None
