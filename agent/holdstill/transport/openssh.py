"""The command line of OpenSSH's client."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from holdstill.errors import SecurityError
from holdstill.system import cpu
from holdstill.transport import host_keys, metered_line

if TYPE_CHECKING:
    from holdstill.model.store_address import HostAddress
    from holdstill.transport.identity import Identity
    from holdstill.transport.metered_line import MeteredLine

FAST_WITH_AES = "^aes128-gcm@openssh.com"
"""Asked for first, by a board that computes AES in hardware; ssh_config(5), Ciphers."""


def words(
    address: HostAddress, identity: Identity, line: MeteredLine | None = None
) -> tuple[str, ...]:
    """Return an OpenSSH client that trusts one pinned key and no configuration file.

    line: leads there, if one does.

    Raises:
        SecurityError: no key of the host is pinned, or a path cannot be passed on.
    """
    host_keys.pinned(identity.host_keys, address)
    options = {
        "BatchMode": "yes",
        "StrictHostKeyChecking": "yes",
        "UserKnownHostsFile": str(identity.host_keys),
        "GlobalKnownHostsFile": "/dev/null",
        "UpdateHostKeys": "no",
        "IdentityFile": str(identity.key),
        "IdentitiesOnly": "yes",
        "IdentityAgent": "none",
        "PreferredAuthentications": "publickey",
        "PasswordAuthentication": "no",
        "ForwardAgent": "no",
        "ClearAllForwardings": "yes",
        "ConnectTimeout": "20",
        "ServerAliveInterval": "5",
        "ServerAliveCountMax": "3",
        "LogLevel": "ERROR",
    }
    if cpu.has_aes():
        options["Ciphers"] = FAST_WITH_AES
    if line is not None:
        options |= {
            "HostName": metered_line.LOOPBACK,
            "HostKeyAlias": address.known_hosts_name,
            "CheckHostIP": "no",
            # The line itself finds out that the keeper is gone; here words may have to wait.
            "ServerAliveInterval": "30",
            "ServerAliveCountMax": "4",
        }
    command = ["ssh", "-F", "none", "-T", "-p", str(line.port if line else address.port)]
    for key, value in options.items():
        if re.fullmatch(r"[A-Za-z0-9._/@+:=,^\[\]-]+", value) is None:
            # rsync splits its --rsh at spaces; nothing in these paths may need quoting.
            raise SecurityError(f"{value!r} cannot be passed to ssh: use a path without blanks")
        command += ["-o", f"{key}={value}"]
    return tuple(command)
