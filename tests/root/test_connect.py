"""`connect` on a machine that is something else already: in a mount namespace, with an sshd."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.keeper import authorized_keys, readers
from holdstill.keeper.authorized_keys import Who
from holdstill.records import signature
from holdstill.system.clocks import SystemClock
from holdstill.system.process import LocalRunner
from support import boathouse, keys, programs

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from support.boathouse import Boathouse

pytestmark = pytest.mark.timeout(120)
PROGRAM = (sys.executable, "-B", "-m", "holdstill")
BOARD = """\
board: pier-9
keeper: ssh://keeper@elsewhere
key: /etc/holdstill/board_ed25519
host_keys: /etc/holdstill/keeper_host_keys
"""


@dataclass(frozen=True)
class Machine:
    """A machine that is a board of another keeper, and this keeper."""

    house: Boathouse
    etc: Path

    def run(self, *words: object, as_user: str = "") -> subprocess.CompletedProcess[str]:
        """Run the product where this machine's /etc/holdstill is the test's folder."""
        script = (
            'mkdir -p /etc/holdstill && mount --bind "$1" /etc/holdstill && shift && exec "$@"'
        )
        become = ("setpriv", f"--reuid={as_user}", "--clear-groups") if as_user else ()
        return subprocess.run(
            [
                "unshare", "--mount", "sh", "-c", script, "sh", os.fspath(self.etc), *become,
                *PROGRAM, *map(str, words),
            ],
            stdin=subprocess.DEVNULL, capture_output=True, check=False, text=True,
        )  # fmt: skip

    def fingerprint(self) -> str:
        said = programs.run("ssh-keygen", "-lf", self.house.server.folder / "host_key.pub")
        return said.decode().split()[1]

    def connect(self) -> subprocess.CompletedProcess[str]:
        return self.run("connect", self.house.address, "--fingerprint", self.fingerprint())

    def let_in(self) -> None:
        public = signature.public_half(self.etc / "reader_ed25519", LocalRunner())
        readers.add(self.house.store, "laptop", public, (), clock=SystemClock())
        line = authorized_keys.authorized_line(
            self.house.store, "laptop", public, program=PROGRAM, who=Who.READER
        )
        self.house.server.authorize(line)


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Machine]:
    etc = tmp_path / "etc-holdstill"
    etc.mkdir(mode=0o755)
    with boathouse.running(tmp_path) as house:
        house.enrol("pier-3")
        yield Machine(house, etc)


def test_on_a_board_it_is_the_readers_key_that_is_tried_and_told(machine: Machine) -> None:
    (machine.etc / "board.yaml").write_text(BOARD, encoding="utf-8")
    keys.make_key(machine.etc / "board_ed25519")

    first = machine.connect()
    machine.let_in()
    done = machine.connect()

    assert "holdstill keeper reader add" in first.stdout, first.stderr
    assert "lets this key read pier-3" in done.stdout, done.stderr
    (words,) = [each for each in done.stdout.split("`") if each.startswith("holdstill list")]
    listed = machine.run(*words.split()[1:])
    assert "pier-3: no captures yet" in listed.stdout, listed.stderr


def test_who_is_not_root_is_told_what_to_do_also_when_roots_settings_are_closed(
    machine: Machine,
) -> None:
    machine.etc.chmod(0o700)

    listed = machine.run("list", as_user="65534")

    assert listed.returncode == 2
    assert "which store?" in listed.stderr
    assert "sudo" in listed.stderr


def test_a_key_that_others_may_read_is_refused_before_anything_is_done(machine: Machine) -> None:
    key = machine.etc / "reader_ed25519"
    keys.make_key(key)
    key.chmod(0o644)

    done = machine.connect()

    assert done.returncode == 4, done.stderr
    assert "others may read the private key /etc/holdstill/reader_ed25519" in done.stderr
    assert "`sudo chmod 600 /etc/holdstill/reader_ed25519`" in done.stderr
    assert "ssh-keygen" not in done.stdout + done.stderr
    assert not (machine.etc / "reader_host_keys").exists()
    assert not (machine.etc / "reader_keeper").exists()


@pytest.mark.parametrize("content", [b"no key\n", b""])
def test_what_is_no_key_is_refused_in_our_words(machine: Machine, content: bytes) -> None:
    key = machine.etc / "reader_ed25519"
    key.write_bytes(content)
    key.chmod(0o600)

    done = machine.connect()

    assert done.returncode == 2, done.stderr
    assert "reader_ed25519: it is no private key of OpenSSH" in done.stderr
    assert not (machine.etc / "reader_host_keys").exists()


def test_a_key_with_a_passphrase_is_called_so(machine: Machine) -> None:
    key = machine.etc / "reader_ed25519"
    programs.run("ssh-keygen", "-q", "-t", "ed25519", "-N", "kelp and sand", "-f", key)

    done = machine.connect()

    assert done.returncode == 2, done.stderr
    assert "reader_ed25519: it has a passphrase" in done.stderr
