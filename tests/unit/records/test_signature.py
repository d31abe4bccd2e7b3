"""Which public keys may sign: one line, one key, no options before it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest

from holdstill.errors import CommandError, MachineError, SecurityError
from holdstill.records import signature
from support.keeping import PIER_3

if TYPE_CHECKING:
    from holdstill.system.process import Command

KEY = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIJlhsZ3v9a6E8pJhq1gk0bN2Vj1Q7mN0v1mVtq3o7Xwq"


@pytest.mark.parametrize("line", [KEY, f"{KEY} root@pier-3", f"{KEY} with a comment\n"])
def test_a_key_is_kept_without_its_comment(line: str) -> None:
    assert signature.check_public_key(line) == KEY


@pytest.mark.parametrize(
    "line",
    [
        "", "ssh-ed25519", f"command=\"sh\" {KEY}", f"{KEY}\n{KEY}", f"{KEY} x\r{KEY}",
        f"* {KEY}", f"cert-authority {KEY}", KEY.replace("ssh-ed25519", "ssh-dss"),
        KEY.replace("ssh-ed25519", "ssh-rsa"), f"#{KEY}", KEY.replace("A", "*"),
        f"{KEY}\n\n", KEY.replace(" ", "\n"),
    ],
)  # fmt: skip
def test_s33_nothing_else_is_a_key(line: str) -> None:
    with pytest.raises(SecurityError, match="public key in one line"):
        signature.check_public_key(line)


@dataclass(frozen=True)
class Ends:
    """A machine on which ssh-keygen ends in one way."""

    status: int
    words: bytes

    def run(self, command: Command, *, stdin: bytes = b"") -> bytes:
        assert command.argv[0] == "ssh-keygen"
        raise CommandError(str(command), self.status, self.words)


def verify(machine: Ends) -> None:
    signature.verify(b"data", b"seal", board=PIER_3, keys=[KEY], runner=machine)


# OpenSSH, ssh-keygen.c: what main() says when getpwuid(3) finds nobody.
def test_l1_a_user_without_a_name_is_no_bad_signature() -> None:
    with pytest.raises(MachineError, match="user without a name") as caught:
        verify(Ends(255, b"No user exists for uid 4242\r\n"))

    assert "signatures may well be good" in caught.value.hint


@pytest.mark.parametrize("status", [124, 126, 127, -9])
def test_l1_a_program_that_gave_no_verdict_is_no_bad_signature(status: int) -> None:
    with pytest.raises(CommandError):
        verify(Ends(status, b"killed, say"))


# OpenSSH, misc.c, sanitise_stdfd(): the words; 139 is what a shell makes of a crash.
@pytest.mark.parametrize("status", [1, 139])
def test_l1_a_program_that_does_not_work_is_no_bad_signature(status: int) -> None:
    with pytest.raises(MachineError, match="cannot be checked: `ssh-keygen") as caught:
        verify(Ends(status, b"Couldn't open /dev/null: Permission denied\n"))

    assert "signatures may well be good" in caught.value.hint


def test_l1_a_verdict_is_one() -> None:
    with pytest.raises(SecurityError, match="not one of board pier-3"):
        verify(Ends(255, b"Could not verify signature.\r\n"))
