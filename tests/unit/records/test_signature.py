"""Which public keys may sign: one line, one key, no options before it."""

from __future__ import annotations

import pytest

from holdstill.errors import SecurityError
from holdstill.records import signature

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
