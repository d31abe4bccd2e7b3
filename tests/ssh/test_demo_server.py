"""The demonstration's SSH server: a real login with the key it lets in, and with no other."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from holdstill.demo import loopback
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import keys, programs

if TYPE_CHECKING:
    from pathlib import Path


def words(server: loopback.Server, key: Path, known_hosts: Path) -> list[str]:
    """Return the words of an OpenSSH client that uses this key and trusts these hosts only."""
    options = (
        *("-i", os.fspath(key), "-p", str(server.port), "-l", server.user),
        *("-o", "IdentitiesOnly=yes", "-o", "IdentityAgent=none", "-o", "BatchMode=yes"),
        *("-o", "StrictHostKeyChecking=yes", "-o", f"UserKnownHostsFile={known_hosts}"),
        *("-o", "GlobalKnownHostsFile=/dev/null"),
    )
    return ["ssh", "-F", "none", *options, loopback.ADDRESS, "whatever"]


def test_the_key_that_is_let_in_reaches_its_one_command(tmp_path: Path) -> None:
    key = keys.make_key(tmp_path / "key")
    known_hosts = tmp_path / "known_hosts"

    with loopback.running(tmp_path, machine=LocalRunner(), clock=SystemClock()) as server:
        known_hosts.write_text(server.known_hosts, encoding="ascii")
        server.authorized_keys.write_text(
            f'restrict,command="echo forced" {key.public}\n', encoding="ascii"
        )
        said = programs.run(*words(server, key.private, known_hosts))

    assert said == b"forced\n"


def test_another_key_is_not_let_in(tmp_path: Path) -> None:
    key = keys.make_key(tmp_path / "key")
    other = keys.make_key(tmp_path / "other")
    known_hosts = tmp_path / "known_hosts"

    with loopback.running(tmp_path, machine=LocalRunner(), clock=SystemClock()) as server:
        known_hosts.write_text(server.known_hosts, encoding="ascii")
        server.authorized_keys.write_text(f"{key.public}\n", encoding="ascii")
        done = programs.attempt(*words(server, other.private, known_hosts))

    assert done.returncode == 255
    assert b"Permission denied" in done.stderr


def test_the_server_is_gone_after_its_block(tmp_path: Path) -> None:
    with (
        pytest.raises(ZeroDivisionError),
        loopback.running(tmp_path, machine=LocalRunner(), clock=SystemClock()) as server,
    ):
        raise ZeroDivisionError

    done = programs.attempt(*words(server, tmp_path / "nothing", tmp_path / "nothing"))
    assert b"Connection refused" in done.stderr
