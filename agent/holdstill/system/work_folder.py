"""Folders for work in progress, gone at the end of their block.

What a process that was killed left behind is removed by the next one that makes a folder there.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

PREFIX = "holdstill-work-"
_ON_DISK = Path("/var/tmp")  # noqa: S108  the folders in it are this user's alone
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW


@contextmanager
def made(place: Path | None = None, *, prefix: str = PREFIX) -> Iterator[Path]:
    """Hold a new folder of mode 0700; nothing may be mounted in it.

    Args:
        place: where; by default, where temporary files are.
        prefix: begins its name, and those of no other folders here.
    """
    place = place or Path(tempfile.gettempdir())
    _collect(place, prefix)
    folder, handle = _locked(place, prefix)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os.close(handle)


def made_on_disk() -> AbstractContextManager[Path]:
    """Hold a new folder for what is too large for memory, where /tmp may be.

    It is in /var/tmp, which the Filesystem Hierarchy Standard 3.0, 5.15, keeps over a restart;
    where temporary files are, if TMPDIR says so or nobody may write there.
    """
    is_usual = "TMPDIR" not in os.environ and os.access(_ON_DISK, os.W_OK | os.X_OK)
    return made(_ON_DISK if is_usual else None)


def _locked(place: Path, prefix: str) -> tuple[Path, int]:
    """Return a new folder, and the lock by which others know that it is not left over."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=prefix, dir=place))
        with suppress(FileNotFoundError):  # somebody collected it before it was locked
            handle = os.open(folder, _FOLDER | os.O_CLOEXEC)
            fcntl.flock(handle, fcntl.LOCK_EX)
            if os.path.lexists(folder):
                return folder, handle
            os.close(handle)


def _collect(place: Path, prefix: str) -> None:
    for left in place.glob(f"{prefix}*"):
        # Locked: it lives. Not found: it is ending by itself, which takes no lock. No folder, or
        # somebody else's: not made by us.
        with suppress(OSError), files.opened(left, _FOLDER) as handle:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.fstat(handle).st_uid == os.geteuid():
                shutil.rmtree(left)
