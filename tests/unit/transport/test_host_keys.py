from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdstill.errors import SecurityError
from holdstill.model.store_address import HostAddress
from holdstill.transport import host_keys
from holdstill.transport.host_keys import HostKey
from support import keeping

if TYPE_CHECKING:
    from pathlib import Path

BOATHOUSE = HostAddress("keeper", "boathouse", 2222)
KIND, KEY = keeping.KEY.split(" ")
PIN = HostKey("[boathouse]:2222", KIND, KEY)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "host_keys"


def test_a_pin_is_read_as_it_was_written(file: Path) -> None:
    host_keys.write(file, PIN)

    assert host_keys.read(file) == (PIN,)
    assert host_keys.pinned(file, BOATHOUSE) == (PIN,)


def test_pinning_again_replaces_the_key_of_that_host_only(file: Path) -> None:
    other = HostKey("slipway", KIND, KEY)
    fresh = HostKey(PIN.host, KIND, keeping.OTHER_KEY.split(" ")[1])
    host_keys.write(file, PIN)
    host_keys.write(file, other)

    host_keys.write(file, fresh)

    assert host_keys.read(file) == (other, fresh)


def test_s08_a_host_without_a_pin_is_refused(file: Path) -> None:
    host_keys.write(file, HostKey("boathouse", KIND, KEY))  # port 22, another server

    with pytest.raises(SecurityError, match="no host key"):
        host_keys.pinned(file, BOATHOUSE)


@pytest.mark.parametrize(
    "line",
    [
        f"* {KIND} {KEY}",
        f"boathouse,slipway {KIND} {KEY}",
        f"!boathouse {KIND} {KEY}",
        f"|1|c2FsdA==|aGFzaA== {KIND} {KEY}",
        f"@cert-authority *.example {KIND} {KEY}",
        f"@revoked boathouse {KIND} {KEY}",
        f"boathouse ssh-dss {KEY}",
        "boathouse ssh-ed25519",
        f"boathouse {KIND} {KEY} comment",
        "boathouse ssh-ed25519 not/base64!",
    ],
)
def test_s08_a_line_that_trusts_more_than_one_key_of_one_host_is_refused(
    file: Path, line: str
) -> None:
    file.write_text(f"{line}\n", encoding="ascii")

    with pytest.raises(SecurityError, match="not a line of"):
        host_keys.read(file)
