"""What is told when a connection fails: brought about with a real sshd, ssh and rsync."""

from __future__ import annotations

import socket
import threading
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError, LinkError, PreflightError, SecurityError
from holdstill.model.store_address import HostAddress
from holdstill.system.clocks import SystemClock
from holdstill.transport import host_keys, link_failure, ssh_session
from holdstill.transport.host_keys import HostKey
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import keys, programs, sshd

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.timeout(90)
UNKNOWN = "boathouse.invalid"
"""No name ends so (RFC 6761, 6.4)."""


@pytest.fixture
def server(tmp_path: Path) -> Iterator[sshd.Sshd]:
    with sshd.running(tmp_path) as running:
        yield running


@pytest.fixture
def identity(server: sshd.Sshd) -> Identity:
    return Identity(server.client_key, server.known_hosts)


@pytest.fixture
def address(server: sshd.Sshd) -> HostAddress:
    return HostAddress(server.user, server.host, server.port)


def pinned_as(address: HostAddress, identity: Identity, folder: Path) -> Identity:
    """Return the identity with the server's key pinned under another address."""
    _, *key = identity.host_keys.read_text("ascii").split()
    host_keys.write(folder / "pins", HostKey(address.known_hosts_name, *key))
    return replace(identity, host_keys=folder / "pins")


def by_rsync(address: HostAddress, identity: Identity, folder: Path) -> HoldstillError:
    """Return the error with which sending a file ends."""
    way = RsyncEndpoint(address, identity)
    bulk = RsyncTransfer(way, memory=Path("/dev/shm"), clock=SystemClock(), pauses=(0.01,))  # noqa: S108
    (folder / "file").write_bytes(b"x")
    with pytest.raises(HoldstillError) as caught:
        bulk.send({"name": folder / "file"}, str(folder))
    return caught.value


def by_control(address: HostAddress, identity: Identity) -> HoldstillError:
    """Return the error with which the control channel ends."""
    with (
        pytest.raises(HoldstillError) as caught,
        ssh_session.connected(address, identity, command="x") as channel,
    ):
        channel.call(b"anybody there?")
    return caught.value


def test_a_key_that_is_not_let_in(
    server: sshd.Sshd, address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    server.authorize()

    for error in (by_control(address, identity), by_rsync(address, identity, tmp_path)):
        assert isinstance(error, LinkError)
        assert "does not let this key in" in str(error)
        assert "holdstill keeper enrol" in error.hint


def test_another_host_key(
    server: sshd.Sshd, address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    other = keys.make_key(tmp_path / "other")
    server.known_hosts.write_text(f"[{server.host}]:{server.port} {other.public}\n", "ascii")

    for error in (by_control(address, identity), by_rsync(address, identity, tmp_path)):
        assert isinstance(error, SecurityError)
        assert "another host key" in str(error)
        assert "holdstill setup --replace" in error.hint


def test_a_name_that_nobody_knows(
    address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    wrong = replace(address, host=UNKNOWN)
    mine = pinned_as(wrong, identity, tmp_path)

    for error in (by_control(wrong, mine), by_rsync(wrong, mine, tmp_path)):
        assert isinstance(error, LinkError)
        assert f"does not know the name {UNKNOWN}" in str(error)
        assert f"getent hosts {UNKNOWN}" in error.hint


def test_a_port_at_which_nobody_listens(
    address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    wrong = replace(address, port=sshd.free_port())
    mine = pinned_as(wrong, identity, tmp_path)

    for error in (by_control(wrong, mine), by_rsync(wrong, mine, tmp_path)):
        assert isinstance(error, LinkError)
        assert f"nothing answers at its port {wrong.port}" in str(error)
        assert "sshd runs" in error.hint


def test_a_host_that_never_answers(address: HostAddress) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = str(silent.getsockname()[1])
        words = programs.attempt(
            "ssh", "-F", "none", "-o", "ConnectTimeout=1", "-o", "BatchMode=yes", "-p", port,
            "127.0.0.1", "true",
        ).stderr.decode()  # fmt: skip

    error = link_failure.of_words(words, address)

    assert isinstance(error, LinkError)
    assert "does not answer in time" in str(error)
    assert str(link_failure.of_exception(TimeoutError("timed out"), address)) in str(error)


def test_something_that_is_no_ssh_server(identity: Identity, tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        wrong = HostAddress("keeper", "127.0.0.1", other.getsockname()[1])
        mine = pinned_as(wrong, identity, tmp_path)
        other.settimeout(30)
        with greeting_by_another_protocol(other):
            error = by_control(wrong, mine)

    assert isinstance(error, LinkError)
    assert "is no SSH server" in str(error)


@contextmanager
def greeting_by_another_protocol(listener: socket.socket) -> Iterator[None]:
    """Greet whoever connects as a mail server does (RFC 5321, 3.1), and hang up."""

    def serve() -> None:
        peer, _ = listener.accept()
        peer.sendall(b"220 boathouse ESMTP\r\n")
        peer.close()

    thread = threading.Thread(target=serve)
    thread.start()
    yield
    thread.join()


def forced(server: sshd.Sshd, command: str) -> None:
    public = server.client_key.with_name("client_key.pub").read_text("ascii").strip()
    server.authorize(f'restrict,command="{command}" {public}')


def test_a_keeper_without_holdstill(
    server: sshd.Sshd, address: HostAddress, identity: Identity
) -> None:
    forced(server, "/nowhere/bin/holdstill keeper serve")

    error = by_control(address, identity)

    assert isinstance(error, PreflightError)
    assert "holdstill is not installed at" in str(error)
    assert "--let-in" in error.hint


@pytest.mark.parametrize(
    "command",
    [
        pytest.param("PATH=/nowhere; rsync --server", id="plain"),
        pytest.param("echo 'holdstill: missing programs: rsync' >&2; exit 4", id="by-holdstill"),
    ],
)
def test_a_keeper_without_rsync(
    server: sshd.Sshd, address: HostAddress, identity: Identity, tmp_path: Path, command: str
) -> None:
    forced(server, command)

    error = by_rsync(address, identity, tmp_path)

    assert isinstance(error, PreflightError)
    assert "rsync is not installed at" in str(error)
    assert "apt-get install rsync" in error.hint


def test_words_at_login_that_rsync_takes_for_its_own(
    server: sshd.Sshd, address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    forced(server, "echo welcome aboard; echo and so on; cat")

    error = by_rsync(address, identity, tmp_path)

    assert isinstance(error, LinkError)
    assert "do not understand each other" in str(error)
    assert "prints words at login" in error.hint


def test_a_key_that_others_may_read(
    address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    identity.key.chmod(0o644)

    error = by_rsync(address, identity, tmp_path)

    assert isinstance(error, PreflightError)
    assert "others may read this machine's own key" in str(error)
    assert "chmod 600" in error.hint


def test_a_connection_that_is_cut(
    server: sshd.Sshd, address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    forced(server, "kill -9 $PPID")

    error = by_rsync(address, identity, tmp_path)

    assert isinstance(error, LinkError)
    assert "rsync ended with status" in str(error) or "broke" in str(error)
    assert "run it again to go on from there" in error.hint
