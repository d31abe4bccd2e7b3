"""Who is at the other end of a connection from this machine to itself."""

from __future__ import annotations

import socket
import struct
from pathlib import Path

_TABLE = Path("/proc/net/tcp")
_LOCAL, _REMOTE, _STATE, _USER = 1, 2, 3, 7
"""Columns of that table (proc_pid_net(5))."""
_ESTABLISHED = "01"
"""Of a connection that its process has closed the kernel says the user 0."""


def user_of(accepted: socket.socket) -> int | None:
    """Return the user id of the process that a connection over IPv4 was accepted from.

    None if it is not open any more.
    """
    try:
        wanted = (_written(*accepted.getpeername()), _written(*accepted.getsockname()))
    except OSError:
        return None
    for line in _TABLE.read_text(encoding="ascii").splitlines()[1:]:
        words = line.split()
        if (words[_LOCAL], words[_REMOTE]) == wanted and words[_STATE] == _ESTABLISHED:
            return int(words[_USER])
    return None


def _written(host: str, port: int) -> str:
    """Write an address as that table does: a number of 32 bits in this machine's byte order."""
    (number,) = struct.unpack("=I", socket.inet_aton(host))
    return f"{number:08X}:{port:04X}"
