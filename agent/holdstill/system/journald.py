"""Structured entries for systemd's journal, by its native protocol.

One datagram an entry: NAME=value lines; a value with a newline is NAME, a newline, its length as
64 bits little-endian, and its bytes (systemd.io, "Native Journal Protocol").
"""

from __future__ import annotations

import socket
import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

ADDRESS = "/run/systemd/journal/socket"


class JournalSocket:
    """The journal's socket."""

    def __init__(self, address: str = ADDRESS) -> None:
        self._address = address

    def send(self, fields: Mapping[str, str]) -> bool:
        """Send one entry; return whether the journal took it.

        Args:
            fields: by their names: upper-case letters, digits and underscores.
        """
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
                sender.setblocking(False)  # noqa: FBT003  the standard library's signature
                sender.sendto(encode(fields), self._address)
        except OSError:  # no journal, or a busy one: the caller has another log
            return False
        return True


def encode(fields: Mapping[str, str]) -> bytes:
    """Return the datagram of one entry."""
    return b"".join(_field(name.encode("ascii"), text.encode()) for name, text in fields.items())


def _field(name: bytes, value: bytes) -> bytes:
    if b"\n" not in value:
        return b"%b=%b\n" % (name, value)
    return b"%b\n%b%b\n" % (name, struct.pack("<Q", len(value)), value)
