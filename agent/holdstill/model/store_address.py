"""Where a store is: a directory here, or a user's account on a host."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from holdstill.errors import UsageError

_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_HOST = re.compile(rf"(?=.{{1,253}}\Z){_LABEL}(?:\.{_LABEL})*|[0-9A-Fa-f:.]*:[0-9A-Fa-f:.]*")
"""RFC 1123, 2.1: labels of at most 63 letters, digits and inner hyphens; or an IPv6 address."""
_USER = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,31}")
_SSH = re.compile(r"ssh://(?:([^@/]+)@)?(\[[^\]]+\]|[^:/]+)(?::(\d{1,5}))?/?", re.ASCII)
SSH_PORT = 22


class StoreAddress:
    """Either of the two below, as a field of settings decodes into it."""

    @staticmethod
    def parse(value: object) -> StoreAddress:
        """Read an address as `parse` does.

        Raises:
            UsageError: it is none.
        """
        text = str(value)
        if not text.startswith(("/", "ssh://")):
            raise UsageError("must be an absolute path or ssh://user@host")
        return parse(text)


@dataclass(frozen=True)
class HostAddress(StoreAddress):
    """An account on a host that runs a keeper."""

    user: str
    host: str
    port: int = SSH_PORT

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"ssh://{self.user}@{host}" + (f":{self.port}" if self.port != SSH_PORT else "")

    @property
    def known_hosts_name(self) -> str:
        """The host as a known_hosts line names it: sshd(8), SSH_KNOWN_HOSTS FILE FORMAT."""
        return self.host if self.port == SSH_PORT else f"[{self.host}]:{self.port}"


@dataclass(frozen=True)
class FolderAddress(StoreAddress):
    """A directory of this machine: a USB disk, or a share that is mounted."""

    path: Path

    def __str__(self) -> str:
        return str(self.path)


Address = HostAddress | FolderAddress


def parse(text: str) -> Address:
    """Read an address such as /mnt/captures or ssh://keeper@boathouse:2222.

    Raises:
        UsageError: it is neither.
    """
    if text.startswith("/"):
        return FolderAddress(Path(text))
    match = _SSH.fullmatch(text)
    if match is None:
        raise UsageError(
            f"{text!r} is no address of a store",
            hint="write an absolute path, or ssh://user@host, or ssh://user@host:port",
        )
    user, host, port = match[1] or "", match[2].strip("[]"), int(match[3] or SSH_PORT)
    problem = _problem(user, host, port)
    if problem:
        raise UsageError(
            f"{text!r}: {problem}",
            hint="write ssh://user@host, or ssh://user@host:port with a port from 1 to 65535",
        )
    return HostAddress(user, host, port)


def _problem(user: str, host: str, port: int) -> str:
    if not user:
        return "the user is missing: ssh://user@host"
    # A user or host that begins with a hyphen would be read as an option by ssh.
    if _USER.fullmatch(user) is None:
        return f"{user!r} is not a user's name"
    if _HOST.fullmatch(host) is None:
        return f"{host!r} is not a host's name or address"
    return "" if 0 < port < 65536 else f"{port} is not a port"
