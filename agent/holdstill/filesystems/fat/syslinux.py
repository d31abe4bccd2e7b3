"""SYSLINUX in a FAT: a loader that finds its own file by sector number.

So a copy of its files does not boot: its installer must run once the FAT is filled. It writes
`ldlinux.sys` and `ldlinux.c32` again, in its own version, and the boot sector of the partition;
the boot code of the card's first sector comes back with the boot gap. The installer (of
syslinux, with mtools) needs no root and no mount.
"""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

from holdstill.errors import CommandError, TargetFailedError
from holdstill.model import paths
from holdstill.system.process import Command

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.system.process import Runner

LOADER = b"ldlinux.sys"
PROGRAM = "syslinux"


def is_loader(entry: Entry) -> bool:
    """Return whether an entry of a FAT is the file that the boot sector loads."""
    return entry.name.lower() == LOADER


def is_installed() -> bool:
    """Return whether this machine has the installer and what it needs."""
    return all(shutil.which(program) is not None for program in (PROGRAM, "mcopy"))


def not_installed(loader: Entry, *, number: int) -> str:
    """Return what follows when this machine has no installer."""
    return (
        f"partition {number}: {paths.display(loader.path)} was copied, but the card will not boot "
        "by it: this machine lacks the programs syslinux and mtools, which must write its sectors"
    )


def install(target: Path, *, offset: int, loader: Entry, machine: Runner) -> None:
    """Let the installer write its files and sectors into a finished FAT in a target.

    Args:
        target: an image or a device.
        offset: byte at which the FAT begins.
        loader: the captured file; the loader is installed again in its directory.
        machine: runs the installer.

    Raises:
        TargetFailedError: it failed; its message states why.
    """
    # Given a directory, even the root, it would not find what it has just written there.
    folder = ("--directory", f"/{os.fsdecode(loader.directory)}") if loader.directory else ()
    words = ("--install", *folder, "--offset", str(offset), "--", target)
    try:
        machine.run(Command.of(PROGRAM, *words, timeout=600))
    except CommandError as error:
        raise TargetFailedError(f"SYSLINUX could not be installed: {error}") from error
