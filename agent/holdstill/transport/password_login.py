"""One command on a host by a login that is given once: how a board gets enrolled there.

The host's key has been confirmed before. Password and key serve this one connection: neither is
kept, shown, or put among a program's arguments.
"""

from __future__ import annotations

import base64
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.errors import LinkError, PreflightError, SecurityError
from holdstill.transport import lean_paramiko, link_failure
from holdstill.transport.lean_paramiko import paramiko

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.model.store_address import HostAddress
    from holdstill.transport.host_keys import HostKey

TIMEOUT = 60.0
LIMIT = 64 << 10
"""Bytes of an answer that we are willing to read."""


@dataclass(frozen=True)
class OneTimeLogin:
    """A password or key for one login.

    Attributes:
        password: of the account; of the key, where there is one.
        key: a private key, None for a password alone.
    """

    password: str = field(default="", repr=False)
    key: Path | None = None


def run(
    address: HostAddress, pin: HostKey, login: OneTimeLogin, *, command: str, stdin: bytes
) -> str:
    """Run a shell command on a host with this key; return all of its output.

    Raises:
        SecurityError: the host shows another key.
        PreflightError: the key cannot be used.
        LinkError: no connection, not let in, or the command failed.
    """
    with _logged_in(address, pin, login) as client:
        try:
            status, output = _run(client, command, stdin)
        except (OSError, EOFError, paramiko.SSHException) as error:
            raise LinkError(f"the connection to {address} broke: {error}") from error
    if status == link_failure.NOT_FOUND:
        raise LinkError(
            f"there is no holdstill at {address}: {output}",
            hint="install it there first (see README), so that this user finds it",
        )
    if status:
        raise LinkError(f"{address} did not enrol this board (status {status}): {output}")
    return output


@contextmanager
def _logged_in(
    address: HostAddress, pin: HostKey, login: OneTimeLogin
) -> Iterator[paramiko.SSHClient]:
    key = _key(login)
    known = paramiko.PKey.from_type_string(pin.kind, base64.b64decode(pin.key))
    client = paramiko.SSHClient()
    try:
        client.get_host_keys().add(pin.host, pin.kind, known)
        client.set_missing_host_key_policy(paramiko.RejectPolicy())
        _connect(client, address, login, key)
        yield client
    finally:
        client.close()


def _key(login: OneTimeLogin) -> paramiko.PKey | None:
    if login.key is None:
        return None
    # The stub says text; what unlocks the key takes bytes only.
    passphrase: str | None = login.password.encode() or None  # type: ignore[assignment]
    try:
        return paramiko.PKey.from_path(login.key, passphrase)
    except (OSError, ValueError, TypeError, paramiko.SSHException) as error:
        raise PreflightError(
            f"cannot use the key {login.key}: {lean_paramiko.why_no_key(error)}",
            hint="name a private key that the keeper knows; --login-password gives its passphrase",
        ) from error


def _connect(
    client: paramiko.SSHClient,
    address: HostAddress,
    login: OneTimeLogin,
    key: paramiko.PKey | None,
) -> None:
    try:
        client.connect(
            address.host,
            address.port,
            address.user,
            password=None if key else login.password,
            pkey=key,
            allow_agent=False,
            look_for_keys=False,
            timeout=TIMEOUT,
            banner_timeout=TIMEOUT,
            auth_timeout=TIMEOUT,
        )
    except paramiko.BadHostKeyException as error:
        raise SecurityError(
            f"{address} answers with another host key than the confirmed one",
            hint="the password was not sent; the connection may be intercepted",
        ) from error
    except paramiko.AuthenticationException as error:
        raise LinkError(
            f"{address} does not accept this login: {error}",
            hint="check password or key, and whether sshd there takes passwords at all",
        ) from error
    except (OSError, EOFError, paramiko.SSHException) as error:
        raise link_failure.of_exception(error, address) from error


def _run(client: paramiko.SSHClient, command: str, stdin: bytes) -> tuple[int, str]:
    transport = client.get_transport()
    if transport is None:
        raise EOFError("closed at once")
    with transport.open_session(timeout=TIMEOUT) as channel:
        channel.settimeout(TIMEOUT)
        channel.set_combine_stderr(True)
        channel.exec_command(command)
        with suppress(OSError):  # it may have ended already: then its last words say why
            channel.sendall(stdin)
            channel.shutdown_write()
        output = b""
        while len(output) < LIMIT and (piece := channel.recv(LIMIT)):
            output += piece
        status = channel.recv_exit_status()
        if status < 0:
            raise EOFError("it was closed before the command had ended")
        return status, output.decode(errors="backslashreplace").strip()
