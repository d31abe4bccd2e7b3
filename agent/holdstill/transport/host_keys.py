"""The keeper's host key: pinned once, then required by both connections.

The file is in the format that OpenSSH reads (sshd(8), SSH_KNOWN_HOSTS FILE FORMAT), so that the
very same file is what `ssh` for the bulk and paramiko for control trust.
"""

from __future__ import annotations

import re
import socket
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.records import signature
from holdstill.system import files
from holdstill.transport import link_failure

if TYPE_CHECKING:
    from pathlib import Path

    import paramiko

    from holdstill.model.store_address import HostAddress

_LINE = re.compile(
    r"([A-Za-z0-9.:\[\]-]+) (ssh-ed25519|ecdsa-sha2-nistp256|ssh-rsa) ([A-Za-z0-9+/]+={0,2})"
)
_PREFERRED = ("ssh-ed25519", "ecdsa-sha2-nistp256", "rsa-sha2-512", "rsa-sha2-256")
TIMEOUT = 15.0


@dataclass(frozen=True)
class HostKey:
    """One host key under one name."""

    host: str
    kind: str
    key: str

    @property
    def line(self) -> str:
        """The known_hosts line, without its newline."""
        return f"{self.host} {self.kind} {self.key}"

    @property
    def fingerprint(self) -> str:
        """What `ssh-keygen -l` prints of this key: SHA256 in unpadded base64."""
        return signature.fingerprint(f"{self.kind} {self.key}")


def scan(address: HostAddress) -> HostKey:
    """Read a host's key, without logging in.

    Any host on the way can answer: show the fingerprint and have a person compare it.

    Raises:
        LinkError: nobody answers.
    """
    from holdstill.transport.lean_paramiko import paramiko  # noqa: PLC0415  it takes its time, and only setting up needs it here

    try:
        with socket.create_connection((address.host, address.port), timeout=TIMEOUT) as plug:
            key = _key_of(plug)
    except (OSError, paramiko.SSHException, EOFError) as error:
        raise link_failure.of_exception(error, address) from error
    return HostKey(address.known_hosts_name, key.get_name(), key.get_base64())


def _key_of(plug: socket.socket) -> paramiko.PKey:
    from holdstill.transport.lean_paramiko import paramiko  # noqa: PLC0415  as above

    transport = paramiko.Transport(plug)
    try:
        options = transport.get_security_options()
        options.key_types = [kind for kind in _PREFERRED if kind in options.key_types]
        transport.start_client(timeout=TIMEOUT)
        return transport.get_remote_server_key()
    finally:
        transport.close()


def read(path: Path) -> tuple[HostKey, ...]:
    """Return the pins in a file; none when there is no file.

    Raises:
        SecurityError: a line is not a plain pin.
    """
    try:
        text = path.read_text(encoding="ascii")
    except FileNotFoundError:
        return ()
    except UnicodeDecodeError as error:
        raise SecurityError(f"{path}: not a file of host keys") from error
    return tuple(_pin(path, ln) for ln in text.splitlines() if ln and not ln.startswith("#"))


def _pin(path: Path, line: str) -> HostKey:
    match = _LINE.fullmatch(line.strip())
    if match is None:
        raise SecurityError(
            f"{path}: not a line of `host type key`: {line[:60]!r}",
            hint="no patterns, markers or comments; pin the host again",
        )
    return HostKey(match[1], match[2], match[3])


def pinned(path: Path, address: HostAddress) -> tuple[HostKey, ...]:
    """Return the keys that this host may have.

    Raises:
        SecurityError: none is pinned.
    """
    every = read(path)
    found = tuple(pin for pin in every if pin.host == address.known_hosts_name)
    if not found:
        others = ", ".join(sorted({pin.host for pin in every})) or "nothing"
        raise SecurityError(
            f"no host key of {address} is pinned in {path}; pinned there: {others}",
            hint=f"if the address is right, `sudo holdstill setup --replace --keeper {address}` "
            f"on a board, or `holdstill connect {address}` elsewhere, pins it: compare the "
            "fingerprint with what `ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub` "
            "prints at the keeper",
        )
    return found


def write(path: Path, pin: HostKey) -> None:
    """Pin a key; other keys of that host are no longer trusted."""
    others = [old.line for old in read(path) if old.host != pin.host]
    content = "".join(f"{line}\n" for line in [*others, pin.line])
    files.publish(path, content.encode("ascii"))
