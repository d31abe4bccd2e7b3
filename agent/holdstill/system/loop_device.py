"""A file system inside an image or a claimed device, mounted where nobody else looks. Needs root.

A loop device with an offset is the one way to mount a part of a disk that is held exclusively
(O_EXCL): the kernel refuses the disk and its partitions, not this.
"""

from __future__ import annotations

import os
import tempfile
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import CommandError, PreflightError
from holdstill.system import files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.system.process import Runner

FILE_SYSTEMS = Path("/proc/filesystems")
READ_ONLY = ("--read-only",)
SAFE = "nosuid,nodev,noexec"
"""What is on a rebuilt card is data here: none of it is to be run, or used as a device."""


def obstacle(kind: str, machine: Runner) -> str:
    """Say why this process cannot mount a file system of a kind; "" when it can."""
    if os.geteuid() != 0:
        return "only root can mount it"
    if not _knows(kind):
        with suppress(CommandError):
            machine.run(Command.of("modprobe", "--quiet", kind))
    return "" if _knows(kind) else f"the kernel of this machine cannot mount {kind}"


def _knows(kind: str) -> bool:
    lines = FILE_SYSTEMS.read_text(encoding="ascii").splitlines()
    return any(line.split()[-1] == kind for line in lines)


@contextmanager
def attached(
    target: Path, *, offset: int, size: int, machine: Runner, words: Sequence[str] = ()
) -> Iterator[Path]:
    """Hold a loop device over a range of bytes of an image or device.

    Raises:
        PreflightError: there is no loop device to be had.
    """
    place = ("--offset", str(offset), "--sizelimit", str(size))
    try:
        said = machine.run(Command.of("losetup", "--find", "--show", *words, *place, target))
    except CommandError as error:
        raise PreflightError(f"no loop device: {error}") from error
    device = Path(said.decode().strip())
    try:
        yield device
    finally:
        machine.run(Command.of("losetup", "--detach", device))


@contextmanager
def mounted(device: Path, *, kind: str, options: str, machine: Runner) -> Iterator[int]:
    """Mount a device in a folder that only root can enter; hold its root directory open.

    Raises:
        CommandError: the kernel refuses.
    """
    with tempfile.TemporaryDirectory(prefix="holdstill-mount-") as folder:
        words = ("--types", kind, "--options", f"{SAFE},{options}")
        machine.run(Command.of("mount", *words, device, folder, timeout=600))
        try:
            with files.opened(folder, os.O_RDONLY | os.O_DIRECTORY) as root:
                yield root
        finally:
            # Writes out what memory holds: that takes as long as the medium needs.
            machine.run(Command.of("umount", folder, timeout=4 * 3600))
