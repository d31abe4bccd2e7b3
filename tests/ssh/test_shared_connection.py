"""Transfers that share one connection: how often it is made, what a cut or a refusal does."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import HoldstillError
from holdstill.model.store_address import HostAddress
from holdstill.system.clocks import SystemClock
from holdstill.transport import shared_connection
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint, RsyncTransfer
from support import sshd

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.transport.shared_connection import SharedConnection

pytestmark = pytest.mark.timeout(60)
MEMORY = Path("/dev/shm")  # noqa: S108
HOLDER = """
import sys, time
from pathlib import Path
from holdstill.model.store_address import HostAddress
from holdstill.system.clocks import SystemClock
from holdstill.transport import shared_connection
from holdstill.transport.identity import Identity
user, host, port, key, pins = sys.argv[1:]
with shared_connection.opened(
    HostAddress(user, host, int(port)), Identity(Path(key), Path(pins)), None,
    memory=Path("/dev/shm"), clock=SystemClock(),
) as shared:
    shared.options()
    print("stands", flush=True)
    time.sleep(60)
"""


@contextmanager
def sharing(server: sshd.Sshd) -> Iterator[tuple[RsyncTransfer, SharedConnection]]:
    address = HostAddress(server.user, server.host, server.port)
    identity = Identity(server.client_key, server.known_hosts)
    clock = SystemClock()
    with shared_connection.opened(address, identity, None, memory=MEMORY, clock=clock) as shared:
        way = RsyncEndpoint(address, identity, shared=shared)
        yield RsyncTransfer(way, MEMORY, clock, attempts=1), shared


def logins(server: sshd.Sshd) -> int:
    return server.log().count("Accepted publickey")


def sent(bulk: RsyncTransfer, folder: Path, name: str) -> bool:
    """Send a file, and return whether it came."""
    (folder / "file").write_bytes(b"1.42 m")
    (folder / "there").mkdir(exist_ok=True)
    bulk.send({name: folder / "file"}, f"{folder}/there")
    return (folder / "there" / name).read_bytes() == b"1.42 m"


def test_several_transfers_need_one_login(tmp_path: Path) -> None:
    with sshd.running(tmp_path) as server, sharing(server) as (bulk, _):
        assert all(sent(bulk, tmp_path, name) for name in "abc")

        assert logins(server) == 1


def test_when_it_has_broken_the_next_transfer_makes_it_again(tmp_path: Path) -> None:
    with sshd.running(tmp_path) as server, sharing(server) as (bulk, _):
        sent(bulk, tmp_path, "a")
        (client,) = clients_of(server)
        os.kill(client, signal.SIGKILL)
        wait_until_none_is_left(server)

        assert sent(bulk, tmp_path, "b")
        assert sent(bulk, tmp_path, "c")
        assert logins(server) == 2


@pytest.mark.parametrize("most", [0, 1])
def test_where_the_server_lets_none_share_it_each_logs_in(tmp_path: Path, most: int) -> None:
    """What careful people set (sshd_config(5), MaxSessions); 0 lets nobody do anything."""
    with (
        sshd.running(tmp_path, extra=[f"MaxSessions {most}"]) as server,
        sharing(server) as (bulk, _),
    ):
        if most:
            assert all(sent(bulk, tmp_path, name) for name in "ab")
        else:
            with pytest.raises(HoldstillError):
                sent(bulk, tmp_path, "a")


def test_it_ends_with_its_block_and_leaves_nothing(tmp_path: Path) -> None:
    before = set(MEMORY.iterdir())
    with sshd.running(tmp_path) as server:
        with sharing(server) as (bulk, _):
            sent(bulk, tmp_path, "a")
            assert len(clients_of(server)) == 1

        assert clients_of(server) == []
        assert set(MEMORY.iterdir()) <= before


def test_it_ends_with_a_program_that_is_killed(tmp_path: Path) -> None:
    with sshd.running(tmp_path) as server:
        words = [server.user, server.host, str(server.port), server.client_key, server.known_hosts]
        command = [sys.executable, "-c", HOLDER, *map(str, words)]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as holder:
            assert holder.stdout is not None
            assert holder.stdout.readline() == b"stands\n"
            assert len(clients_of(server)) == 1
            holder.kill()

        wait_until_none_is_left(server)


def wait_until_none_is_left(server: sshd.Sshd) -> None:
    end = time.monotonic() + 10
    while clients_of(server):
        assert time.monotonic() < end, "it is still there"
        time.sleep(0.05)


def clients_of(server: sshd.Sshd) -> list[int]:
    """Return the SSH clients that hold a connection to share to a server."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            words = (folder / "cmdline").read_bytes().split(b"\0")
        except OSError:
            continue
        is_ours = b"ControlMaster=yes" in words and str(server.port).encode() in words
        if is_ours and words[0].endswith(b"ssh"):
            found.append(int(folder.name))
    return found
