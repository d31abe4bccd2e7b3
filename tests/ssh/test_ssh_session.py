"""Both wires against a real sshd: whom they trust, and how they end."""

from __future__ import annotations

import os
import signal
import socket
import struct
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import LinkError, PreflightError, SecurityError
from holdstill.model.store_address import HostAddress
from holdstill.system.clocks import SystemClock
from holdstill.transport import host_keys, ssh_session
from holdstill.transport.host_keys import HostKey
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import keys, programs, relay, sshd

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

pytestmark = pytest.mark.timeout(60)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[sshd.Sshd]:
    with sshd.running(tmp_path) as running:
        yield running


@pytest.fixture
def address(server: sshd.Sshd) -> HostAddress:
    return HostAddress(server.user, server.host, server.port)


@pytest.fixture
def identity(server: sshd.Sshd) -> Identity:
    return Identity(server.client_key, server.known_hosts)


def bulk_of(address: HostAddress, identity: Identity, *, attempts: int = 1) -> RsyncTransfer:
    way = RsyncEndpoint(address, identity)
    memory = Path("/dev/shm")  # noqa: S108
    return RsyncTransfer(way, memory=memory, clock=SystemClock(), attempts=attempts, pauses=(0.1,))


def test_lines_go_there_and_back(address: HostAddress, identity: Identity) -> None:
    with ssh_session.connected(address, identity, command="cat") as channel:
        answers = [channel.call(b"one"), channel.call(b"x" * 300_000), channel.call(b"")]

    assert answers == [b"one", b"x" * 300_000, b""]


def test_a_server_that_drops_the_connection_is_told_in_one_error_and_no_traceback(
    identity: Identity, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """As sshd does over MaxStartups, and a firewall whenever it likes."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        address = HostAddress("nobody", "127.0.0.1", listener.getsockname()[1])

        def drop() -> None:
            accepted, _ = listener.accept()
            accepted.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            accepted.close()  # with that, by a reset (socket(7))

        key = identity.host_keys.read_text("ascii").split()[1:]
        host_keys.write(tmp_path / "pins", HostKey(f"[127.0.0.1]:{address.port}", *key))
        dropping = threading.Thread(target=drop)
        dropping.start()
        with (
            pytest.raises(LinkError),
            ssh_session.connected(address, Identity(identity.key, tmp_path / "pins"), command="x"),
        ):
            pass
        dropping.join()

    assert "Traceback" not in capfd.readouterr().err


def test_the_scanned_pin_is_what_openssh_says_it_is(
    address: HostAddress, server: sshd.Sshd, tmp_path: Path
) -> None:
    pin = host_keys.scan(address)

    assert f"{pin.line}\n" == server.known_hosts.read_text("ascii")
    said = programs.run("ssh-keygen", "-l", "-f", server.folder / "host_key.pub").decode()
    assert said.split()[1] == pin.fingerprint


def test_a_written_pin_is_trusted_by_both_wires(
    address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    pinned = Identity(identity.key, tmp_path / "pins")
    host_keys.write(pinned.host_keys, host_keys.scan(address))
    (tmp_path / "f").write_bytes(b"x")
    (tmp_path / "there").mkdir()

    with ssh_session.connected(address, pinned, command="cat") as channel:
        answer = channel.call(b"here")
    bulk_of(address, pinned).send({"name": tmp_path / "f"}, str(tmp_path / "there"))

    assert answer == b"here"
    assert (tmp_path / "there" / "name").read_bytes() == b"x"


def test_s08_another_host_key_stops_both_wires(
    address: HostAddress, server: sshd.Sshd, identity: Identity, tmp_path: Path
) -> None:
    other = keys.make_key(tmp_path / "other")
    server.known_hosts.write_text(f"[{server.host}]:{server.port} {other.public}\n", "ascii")
    (tmp_path / "f").write_bytes(b"x")

    with (
        pytest.raises(SecurityError, match="another host key"),
        ssh_session.connected(address, identity, command="cat"),
    ):
        pytest.fail("it connected")
    with pytest.raises(SecurityError, match="another host key"):
        bulk_of(address, identity).send({"name": tmp_path / "f"}, str(tmp_path))

    assert "Accepted" not in server.log()


def test_s08_without_a_pin_neither_wire_connects(
    address: HostAddress, server: sshd.Sshd, identity: Identity, tmp_path: Path
) -> None:
    unpinned = Identity(identity.key, tmp_path / "none")
    (tmp_path / "f").write_bytes(b"x")

    with (
        pytest.raises(SecurityError, match="no host key"),
        ssh_session.connected(address, unpinned, command="cat"),
    ):
        pytest.fail("it connected")
    with pytest.raises(SecurityError, match="no host key"):
        bulk_of(address, unpinned).send({"name": tmp_path / "f"}, str(tmp_path))


def test_s09_a_users_configuration_has_no_say(
    address: HostAddress, identity: Identity, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / ".ssh").mkdir()
    trap = tmp_path / ".ssh" / "config"
    trap.write_text(f"Host *\n ProxyCommand touch {tmp_path}/trapped\n", "ascii")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("RSYNC_RSH", f"touch {tmp_path}/trapped")
    (tmp_path / "f").write_bytes(b"x")
    (tmp_path / "there").mkdir()

    bulk_of(address, identity).send({"name": tmp_path / "f"}, str(tmp_path / "there"))

    assert not (tmp_path / "trapped").exists()


def test_a_key_that_is_not_let_in_is_told_what_to_do(
    address: HostAddress, identity: Identity, tmp_path: Path
) -> None:
    stranger = Identity(keys.make_key(tmp_path / "stranger").private, identity.host_keys)

    with (
        pytest.raises(LinkError, match="does not let this key in") as caught,
        ssh_session.connected(address, stranger, command="cat"),
    ):
        pytest.fail("it connected")

    assert "authorized_keys" in caught.value.hint


def test_nobody_there_is_a_link_error(identity: Identity, server: sshd.Sshd) -> None:
    nobody = HostAddress(server.user, server.host, sshd.free_port())
    host_keys.write(identity.host_keys, HostKey(nobody.known_hosts_name, *server.host_key.split()))

    with (
        pytest.raises(LinkError, match="nothing answers at its port"),
        ssh_session.connected(nobody, identity, command="cat"),
    ):
        pytest.fail("it connected")
    with pytest.raises(LinkError, match="nothing answers at its port"):
        host_keys.scan(nobody)


def test_a_command_that_ends_leaves_its_last_words(
    address: HostAddress, identity: Identity
) -> None:
    command = "read line; echo 'holdstill: the store is gone' >&2; exit 5"

    with (
        ssh_session.connected(address, identity, command=command) as channel,
        pytest.raises(LinkError, match="the store is gone"),
    ):
        channel.call(b"hello")


def test_what_the_keeper_says_to_do_is_what_is_to_do(
    address: HostAddress, identity: Identity
) -> None:
    words = r"holdstill: there is no store\nwhat to do: mount its disk\n"
    command = f"read line; printf '{words}' >&2; exit 2"

    with (
        ssh_session.connected(address, identity, command=command) as channel,
        pytest.raises(LinkError) as caught,
    ):
        channel.call(b"hello")

    assert str(caught.value).endswith("ended the session: there is no store")
    assert caught.value.hint == "at the keeper: mount its disk"


def locked(path: Path) -> None:
    """Make a key with a passphrase."""
    programs.run("ssh-keygen", "-q", "-t", "ed25519", "-N", "a tide", "-f", path)


@pytest.mark.parametrize(
    ("make", "why"),
    [
        (lambda path: path.write_text("garbage", encoding="ascii"), "it is no private key"),
        (locked, "it has a passphrase"),
        (lambda _: None, "No such file or directory"),
    ],
    ids=["garbage", "passphrase", "none"],
)
def test_why_a_key_cannot_be_used_is_told_in_our_words(
    address: HostAddress,
    identity: Identity,
    tmp_path: Path,
    make: Callable[[Path], object],
    why: str,
) -> None:
    make(tmp_path / "key")
    mine = Identity(tmp_path / "key", identity.host_keys)

    with (
        pytest.raises(PreflightError) as caught,
        ssh_session.connected(address, mine, command="true"),
    ):
        pass

    assert str(caught.value).startswith(f"cannot use the key {tmp_path / 'key'}: {why}")
    assert "http" not in str(caught.value)


def test_a_killed_server_is_noticed_at_once(address: HostAddress, identity: Identity) -> None:
    with ssh_session.connected(
        address, identity, command="read -r line; echo $PPID; cat"
    ) as channel:
        os.kill(int(channel.call(b"who serves?")), signal.SIGKILL)
        started = time.monotonic()

        with pytest.raises(LinkError):
            channel.call(b"two")

    assert time.monotonic() - started < 5


def test_the_heartbeat_is_heard_and_not_answered(address: HostAddress, identity: Identity) -> None:
    command = 'while read -r line; do test "$line" = beat && n=$((n+1)) || echo "$n"; done'

    with ssh_session.connected(
        address, identity, command=command, heartbeat=b"beat", every=0.05
    ) as channel:
        threading.Event().wait(1.0)
        heard = int(channel.call(b"how many"))

    assert heard >= 5


def test_a_link_that_is_cut_twice_costs_only_what_was_in_flight(
    server: sshd.Sshd, identity: Identity, tmp_path: Path
) -> None:
    content = os.urandom(12 << 20)
    (tmp_path / "f").write_bytes(content)
    (tmp_path / "there").mkdir()
    with relay.running(server.port, cuts=[4 << 20, 4 << 20]) as cutting:
        address = HostAddress(server.user, server.host, cutting.port)
        host_keys.write(
            identity.host_keys, HostKey(address.known_hosts_name, *server.host_key.split())
        )

        sent = bulk_of(address, identity, attempts=3).send(
            {"name": tmp_path / "f"}, str(tmp_path / "there")
        )

    assert (tmp_path / "there" / "name").read_bytes() == content
    assert cutting.served == 3
    assert sent.wire_bytes < 8 << 20  # the third attempt did not begin from the start


def test_a_link_that_stays_cut_is_given_up(
    server: sshd.Sshd, identity: Identity, tmp_path: Path
) -> None:
    (tmp_path / "f").write_bytes(os.urandom(2 << 20))
    (tmp_path / "there").mkdir()
    with relay.running(server.port, cuts=[1 << 19] * 9) as cutting:
        address = HostAddress(server.user, server.host, cutting.port)
        host_keys.write(
            identity.host_keys, HostKey(address.known_hosts_name, *server.host_key.split())
        )

        with pytest.raises(LinkError, match=r"the connection to ssh://.* broke \("):
            bulk_of(address, identity, attempts=2).send(
                {"name": tmp_path / "f"}, str(tmp_path / "there")
            )

    assert cutting.served == 2
