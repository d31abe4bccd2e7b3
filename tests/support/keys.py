"""SSH keys, made fresh for a test by the reference tool."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from support import programs

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class KeyPair:
    """A private key file and what an authorized_keys line says of it."""

    private: Path
    public: str
    """Type and key in base64, without the comment."""


def make_key(path: Path, *, comment: str = "test") -> KeyPair:
    """Make an Ed25519 key pair without a passphrase at path and path.pub."""
    programs.run("ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", comment, "-f", path)
    kind, key, *_ = path.with_name(path.name + ".pub").read_text(encoding="ascii").split()
    return KeyPair(path, f"{kind} {key}")
