"""The server that SSH tests start, itself tested with the OpenSSH client."""

from __future__ import annotations

import os
import socket
from typing import TYPE_CHECKING

import pytest

from support import keys, programs, sshd

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def server(tmp_path: Path) -> Iterator[sshd.Sshd]:
    with sshd.running(tmp_path) as running:
        yield running


def test_the_client_key_logs_in_and_the_bytes_come_back(server: sshd.Sshd) -> None:
    answer = programs.run(*server.client("cat"), stdin=b"\x00\xffwater")

    assert answer == b"\x00\xffwater"


def test_another_key_is_refused(server: sshd.Sshd, tmp_path: Path) -> None:
    stranger = keys.make_key(tmp_path / "stranger")
    words = [
        os.fspath(stranger.private) if word == os.fspath(server.client_key) else word
        for word in server.client("true")
    ]

    refused = programs.attempt(*words)

    assert refused.returncode == 255
    assert b"Permission denied" in refused.stderr


def test_a_wrong_host_key_stops_the_client(server: sshd.Sshd, tmp_path: Path) -> None:
    other = keys.make_key(tmp_path / "other")
    server.known_hosts.write_text(f"[{server.host}]:{server.port} {other.public}\n", "ascii")

    refused = programs.attempt(*server.client("true"))

    assert refused.returncode == 255
    assert b"Host key verification failed" in refused.stderr


def test_a_forced_command_takes_the_place_of_the_asked_one(server: sshd.Sshd) -> None:
    public = server.client_key.with_name("client_key.pub").read_text("ascii").strip()
    server.authorize(f'restrict,command="echo forced" {public}')

    answer = programs.run(*server.client("echo", "asked"))

    assert answer == b"forced\n"


def test_the_log_tells_who_came_in(server: sshd.Sshd) -> None:
    programs.run(*server.client("true"))

    assert f"Accepted publickey for {server.user}" in server.log()


def test_further_settings_are_taken(tmp_path: Path) -> None:
    with sshd.running(tmp_path, extra=["AllowUsers nobody-at-all"]) as server:
        refused = programs.attempt(*server.client("true"))

    assert refused.returncode == 255


def test_two_servers_run_side_by_side(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()

    with sshd.running(tmp_path / "one") as one, sshd.running(tmp_path / "two") as two:
        answers = [programs.run(*server.client("echo", "here")) for server in (one, two)]

    assert answers == [b"here\n", b"here\n"]
    assert one.port != two.port


def test_a_server_that_cannot_start_says_why(tmp_path: Path) -> None:
    with (
        pytest.raises(AssertionError, match="NoSuchSetting"),
        sshd.running(tmp_path, extra=["NoSuchSetting yes"]),
    ):
        pytest.fail("it started")


def test_nobody_listens_after_the_block(tmp_path: Path) -> None:
    with sshd.running(tmp_path) as server:
        pass

    with socket.socket() as probe:
        refused = probe.connect_ex((server.host, server.port))
    assert refused != 0
    assert server.process.poll() is not None
