"""Files that have a secret: read only if nobody but their owner may read them."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.errors import UsageError
from holdstill.system import files

if TYPE_CHECKING:
    from pathlib import Path


def read(path: Path) -> bytes:
    """Return the bytes of a file, or of a pipe, with a secret.

    Raises:
        UsageError: others may read it.
        OSError: it cannot be read.
    """
    with files.opened(path) as handle:
        if os.fstat(handle).st_mode & 0o077:
            raise UsageError(f"others may read {path}", hint=f"`chmod 600 {path}`")
        with open(handle, "rb", closefd=False) as content:
            return content.read()
