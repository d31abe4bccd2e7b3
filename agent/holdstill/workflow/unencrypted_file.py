"""The file in which the content of encrypted containers is made, before it is encrypted."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

_USUAL = "/var/tmp"  # noqa: S108  nobody else can read it there


@dataclass(frozen=True)
class UnencryptedFile:
    """A sparse file as large as the target, which only its owner can read."""

    path: Path

    def remove(self) -> None:
        """Take it away; once is enough."""
        self.path.unlink(missing_ok=True)


def made(size: int) -> UnencryptedFile:
    """Make one of size bytes: in TMPDIR if that is set, else in /var/tmp.

    Raises:
        OSError: there is no room for it.
    """
    folder = None if "TMPDIR" in os.environ else _USUAL
    handle, name = tempfile.mkstemp(prefix="holdstill-inside-", dir=folder)
    try:
        os.truncate(handle, size)
    finally:
        os.close(handle)
    return UnencryptedFile(Path(name))
