"""A directory of ours that is memory: it takes part in no freeze, and wears no card."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import PreflightError, SecurityError
from holdstill.system import files, libc

if TYPE_CHECKING:
    from collections.abc import Sequence

FALLBACK = Path("/dev/shm/holdstill")  # noqa: S108  checked: ours, 0700, and no link
"""Used where /run is no tmpfs, as in some containers and on boards without systemd."""


def choose(preferred: Path, *, others: Sequence[Path] = (FALLBACK,)) -> Path:
    """Return a directory in memory that only we may use; make it if need be.

    Raises:
        PreflightError: none of the places is on a tmpfs.
        SecurityError: somebody else has made, or may write to, the directory.
    """
    for place in (preferred, *others):
        if is_memory(place):
            # /dev/shm is open to all: another user may have put a directory there first.
            place.mkdir(mode=0o700, exist_ok=True)
            found = place.lstat()
            if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.geteuid():
                raise SecurityError(
                    f"{place} belongs to somebody else", hint="find out who made it, and remove it"
                )
            if found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
                raise SecurityError(
                    f"others may write to {place}", hint=f"`chmod 0700 {place}`, and find out why"
                )
            return place
    raise PreflightError(
        f"neither {preferred} nor {', '.join(map(str, others))} is memory (a tmpfs)",
        hint="mount a tmpfs at /run, or name a directory on one as `spool` in the settings",
    )


def is_memory(place: Path) -> bool:
    """Whether a directory is, or would be, on a tmpfs."""
    # The place itself may be a tmpfs of its own; else it is what its parent is.
    for candidate in (place, place.parent):
        if candidate.is_dir() or candidate.is_symlink():
            return _type_of(candidate) == libc.TMPFS_MAGIC
    return False


def _type_of(directory: Path) -> int:
    try:
        with files.opened(directory, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW) as handle:
            return libc.file_system_type(handle)
    except NotADirectoryError as error:  # what a link answers, too
        raise SecurityError(f"{directory} is no directory", hint="find out who made it") from error
