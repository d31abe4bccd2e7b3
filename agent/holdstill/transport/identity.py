"""With what a board shows who it is, and knows the keeper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Identity:
    """Our key and the host key that we trust: the same for both connections.

    Attributes:
        key: our private key, without a passphrase.
        host_keys: the file of pinned host keys.
    """

    key: Path
    host_keys: Path
