"""A scratch file in which an ext4 is put together before it is placed on its target.

It has no name, so nothing is left of it however this process ends. Programs reach it by the path
of our descriptor (proc_pid_fd(5)).
"""

from __future__ import annotations

import os
import tempfile
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import TargetFailedError

if TYPE_CHECKING:
    from collections.abc import Iterator

_USUAL = "/var/tmp"  # noqa: S108  the file has no name there


@contextmanager
def held() -> Iterator[Path]:
    """Hold an empty scratch file; return its path.

    Raises:
        TargetFailedError: it cannot be made.
    """
    with ExitStack() as undo:
        try:
            file = undo.enter_context(tempfile.TemporaryFile(dir=_folder()))
        except OSError as error:
            raise failed("make", error.strerror) from error
        yield Path(f"/proc/{os.getpid()}/fd/{file.fileno()}")


def _folder() -> str:
    """Return where hundreds of MiB may be stored: /tmp is often in memory."""
    if "TMPDIR" not in os.environ and os.access(_USUAL, os.W_OK):
        return _USUAL
    with suppress(FileNotFoundError):  # no directory at all
        return tempfile.gettempdir()
    return _USUAL


def failed(what: str, reason: object) -> TargetFailedError:
    """Return the error for a failure of the scratch file, such as a full disk."""
    return TargetFailedError(
        f"cannot {what} the scratch file of the new ext4 in {_folder()}: {reason}",
        hint="see whether there is room: 300 bytes a file, and the size of the journal. TMPDIR "
        "chooses another place for it",
    )
