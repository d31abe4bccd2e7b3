"""Where the demonstration works, and how it is left: as it was found, whatever happens."""

from __future__ import annotations

import shutil
import signal
import tempfile
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import PreflightError, UsageError
from holdstill.model import sizes
from holdstill.model.sizes import MIB

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType

NEEDED = 2560 * MIB
"""Bytes that card, store and the two rebuilt images take at most, with room to spare."""
_ENDING = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_MEMORY = Path("/dev/shm")  # noqa: S108  a tmpfs is what is wanted; the folder in it is private
_DISK = Path("/var/tmp")  # noqa: S108  on a disk, unlike /tmp; the folder in it is private


@dataclass(frozen=True)
class Workshop:
    """Two private folders.

    Attributes:
        folder: on a disk.
        memory: on a tmpfs.
    """

    folder: Path
    memory: Path


@contextmanager
def opened(keep: Path | None) -> Iterator[Workshop]:
    """Make the folders, and take them away again; keep names one that stays instead.

    Raises:
        UsageError: what is to be kept would go where something is.
        PreflightError: there is not enough room.
    """
    with ExitStack() as undo, ended_in_order():
        memory = undo.enter_context(_folder(_MEMORY))
        folder = _kept(keep) if keep else undo.enter_context(_folder(_DISK))
        free = shutil.disk_usage(folder).free
        if free < NEEDED:
            raise PreflightError(
                f"{folder} has {sizes.human(free)} free; the demonstration needs up to "
                f"{sizes.human(NEEDED)}",
                hint="name a folder on another disk with --keep",
            )
        yield Workshop(folder, memory)


@contextmanager
def _folder(above: Path) -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="holdstill-demo-", dir=above))
    try:
        yield folder
    finally:
        remove(folder)


def remove(folder: Path) -> None:
    """Remove a folder, but nothing that is still mounted below it.

    Raises:
        PreflightError: something is mounted there.
    """
    device = folder.stat().st_dev
    for below in folder.iterdir():
        if below.is_dir() and not below.is_symlink() and below.stat().st_dev != device:
            raise PreflightError(f"{below} is still mounted", hint=f"umount {below}")
    shutil.rmtree(folder)


def _kept(keep: Path) -> Path:
    folder = keep.absolute()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise UsageError(f"{folder} is not empty", hint="name a new folder")
    return folder


@contextmanager
def ended_in_order() -> Iterator[None]:
    """Let a signal to terminate raise KeyboardInterrupt, once, and then no more.

    Whatever `with` blocks have still to undo is then not interrupted by a second one.
    """
    before = {number: signal.getsignal(number) for number in _ENDING}

    def end(number: int, frame: FrameType | None) -> None:  # noqa: ARG001  the signature is set
        for each in _ENDING:
            signal.signal(each, signal.SIG_IGN)
        raise KeyboardInterrupt

    try:
        for number in _ENDING:
            signal.signal(number, end)
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
