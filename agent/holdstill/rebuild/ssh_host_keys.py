"""New SSH keys in the place of old ones, made by ssh-keygen."""

from __future__ import annotations

import base64
import binascii
import re
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

from holdstill.system import work_folder
from holdstill.system.process import Command

if TYPE_CHECKING:
    from holdstill.system.process import Runner

KINDS = ("rsa", "ecdsa", "ed25519")
"""What ssh-keygen makes today; a DSA key is left out, since no server uses it any more."""
HOST_KEY = re.compile(r"ssh_host_([a-z0-9]+)_key")


class KeyPair(NamedTuple):
    """The contents of a private key's file and of the .pub beside it."""

    private: bytes
    public: bytes


class KeyMaker(Protocol):
    """What makes key pairs."""

    def make(self, kind: str, *, bits: int, comment: str) -> KeyPair:
        """Return a new key pair without a passphrase; bits is 0 for kinds of one size."""


@dataclass(frozen=True)
class SshKeygen:
    """ssh-keygen, in a directory that no other user can read."""

    machine: Runner

    def make(self, kind: str, *, bits: int, comment: str) -> KeyPair:
        """Return a new key pair without a passphrase; bits is 0 for kinds of one size."""
        with work_folder.made() as folder:
            path = folder / "key"
            words = ("ssh-keygen", "-q", "-t", kind, "-N", "", "-C", comment, "-f", path)
            size = ("-b", str(bits)) if bits else ()
            self.machine.run(Command.of(*words, *size, timeout=300))
            return KeyPair(path.read_bytes(), path.with_name("key.pub").read_bytes())


def bits_of(public: bytes) -> int:
    """Return the size of the key in a .pub file's line; 0 for kinds of one size, or if unreadable.

    RFC 4253, 6.6: an RSA key is the strings "ssh-rsa", e and n; RFC 5656, 3.1: an ECDSA one names
    its curve.
    """
    try:
        blob = base64.b64decode(public.split()[1], validate=True)
        fields = _strings(blob)
    except (IndexError, ValueError, binascii.Error, struct.error):
        return 0
    if fields[0] == b"ssh-rsa" and len(fields) == 3:
        return max(int.from_bytes(fields[2], "big").bit_length(), 2048)
    curve = re.fullmatch(rb"ecdsa-sha2-nistp(256|384|521)", fields[0])
    return int(curve[1]) if curve else 0


def _strings(blob: bytes) -> list[bytes]:
    found = []
    while blob:
        (length,) = struct.unpack_from(">I", blob)
        found.append(blob[4 : 4 + length])
        blob = blob[4 + length :]
    return found


def comment_of(public: bytes, *, name: str) -> str:
    """Return the comment for a new key: the old one's user at the new name."""
    words = public.split(None, 2)
    comment = words[2].decode(errors="replace").strip() if len(words) == 3 else ""
    user, at, _ = comment.partition("@")
    return f"{user}@{name}" if at and user.isprintable() else name
