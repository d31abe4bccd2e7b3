from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from holdstill.errors import SecurityError
from holdstill.model.store_address import HostAddress
from holdstill.transport import host_keys, openssh, rsync
from holdstill.transport.host_keys import HostKey
from holdstill.transport.identity import Identity
from holdstill.transport.rsync import RsyncEndpoint
from support import keeping

BOATHOUSE = HostAddress("keeper", "boathouse", 2222)
REPORT = b"""\
              3 100%    0.00kB/s    0:00:00 (xfr#1, to-chk=0/2)

Number of files: 2 (reg: 1, dir: 1)
Total file size: 3 bytes
Literal data: 3 bytes
Total bytes sent: 108
Total bytes received: 42

sent 108 bytes  received 42 bytes  300.00 bytes/sec
"""
"""What rsync 3.5.0 prints with --stats --no-human-readable."""


@pytest.fixture
def identity(tmp_path: Path) -> Identity:
    host_keys.write(tmp_path / "pins", HostKey("[boathouse]:2222", *keeping.KEY.split(" ")))
    return Identity(Path("/etc/holdstill/board_ed25519"), tmp_path / "pins")


def test_both_directions_count_as_bytes_on_the_wire() -> None:
    assert rsync.read_stats(REPORT).wire_bytes == 150


def test_s08_s09_the_ssh_client_trusts_the_pin_and_nothing_else(identity: Identity) -> None:
    words = openssh.words(BOATHOUSE, identity)

    assert words[:4] == ("ssh", "-F", "none", "-T")
    options = dict(w.split("=", 1) for flag, w in itertools.pairwise(words)
                   if flag == "-o")  # fmt: skip
    assert options["StrictHostKeyChecking"] == "yes"
    assert options["UserKnownHostsFile"] == str(identity.host_keys)
    assert options["GlobalKnownHostsFile"] == "/dev/null"
    assert options["UpdateHostKeys"] == "no"
    assert options["BatchMode"] == "yes"
    assert options["IdentitiesOnly"] == "yes"
    assert options["IdentityAgent"] == "none"
    assert options["ForwardAgent"] == "no"
    assert options["ClearAllForwardings"] == "yes"
    assert options["PasswordAuthentication"] == "no"
    assert options["PreferredAuthentications"] == "publickey"
    assert options["LogLevel"] == "ERROR"  # ssh_config(5): what is no error is not said


def test_s10_a_dead_peer_is_noticed_by_ssh_and_by_rsync(identity: Identity) -> None:
    words = openssh.words(BOATHOUSE, identity)

    assert {"ServerAliveInterval=5", "ServerAliveCountMax=3"} <= set(words)
    assert "--timeout=120" in rsync.COMMON


def test_s08_without_a_pin_there_is_no_command(tmp_path: Path) -> None:
    with pytest.raises(SecurityError, match="no host key"):
        openssh.words(BOATHOUSE, Identity(Path("/key"), tmp_path / "none"))


def test_a_path_that_the_shell_option_would_split_is_refused(tmp_path: Path) -> None:
    host_keys.write(tmp_path / "pins", HostKey("[boathouse]:2222", *keeping.KEY.split(" ")))

    with pytest.raises(SecurityError, match="without blanks"):
        openssh.words(BOATHOUSE, Identity(Path("/key -oProxyCommand=x"), tmp_path / "pins"))


def test_a_directory_here_needs_no_ssh() -> None:
    assert RsyncEndpoint().shell() == ()
    assert RsyncEndpoint().remote("/mnt/captures") == "/mnt/captures"


def test_elsewhere_is_reached_by_the_ssh_client_of_that_address_and_identity(
    identity: Identity,
) -> None:
    option, command = RsyncEndpoint(BOATHOUSE, identity).shell()

    assert (option, command) == ("--rsh", " ".join(openssh.words(BOATHOUSE, identity)))


def test_a_way_of_sending_adds_these_options_and_no_others() -> None:
    assert {mode.name: mode.options for mode in rsync.TransferMode} == {
        "PLAIN": (),
        "COMPRESSED": ("--compress",),
        "SPARSE": ("--sparse", "--compress"),
    }


# RFC 4291, 2.2: "::" is one way to write zeroes, and may be missing.
@pytest.mark.parametrize("host", ["2001:db8::7", "2001:db8:0:0:8:800:200c:417a"])
def test_an_address_of_version_6_is_bracketed(host: str) -> None:
    way = RsyncEndpoint(HostAddress("keeper", host))

    assert way.remote("incoming/x") == f"keeper@[{host}]:incoming/x"


def test_nothing_to_send_is_sent_without_asking_anybody(tmp_path: Path) -> None:
    transfer = rsync.RsyncTransfer(RsyncEndpoint(), tmp_path, keeping.FakeClock())

    assert transfer.send({}, "nowhere") == rsync.TransferResult(0)
