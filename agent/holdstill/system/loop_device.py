"""Loop devices, and file systems mounted in a private directory. Needs root.

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
from holdstill.system import btrfs_twins, files
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.system.process import Runner

FILE_SYSTEMS = Path("/proc/filesystems")
READ_ONLY = ("--read-only",)
SAFE = "nosuid,nodev,noexec"
"""A rebuilt card is data here: its programs must not run, nor its device nodes work."""


def obstacle(kind: str, machine: Runner) -> str:
    """Return why this process cannot mount a file system of a kind; "" when it can."""
    if os.geteuid() != 0:
        return "only root can mount it"
    if not _kernel_has(kind):
        with suppress(CommandError):
            machine.run(Command.of("modprobe", "--quiet", kind))
    return "" if _kernel_has(kind) else f"the kernel of this machine cannot mount {kind}"


def _kernel_has(kind: str) -> bool:
    lines = FILE_SYSTEMS.read_text(encoding="ascii").splitlines()
    return any(line.split()[-1] == kind for line in lines)


@contextmanager
def attached(
    target: Path, *, offset: int, size: int, machine: Runner, words: Sequence[str] = ()
) -> Iterator[Path]:
    """Hold a loop device over a range of bytes of an image or device.

    Raises:
        PreflightError: losetup(8) failed, with its error.
    """
    byte_range = ("--offset", str(offset), "--sizelimit", str(size))
    try:
        output = machine.run(
            Command.of("losetup", "--find", "--show", *words, *byte_range, target)
        )
    except CommandError as error:
        raise PreflightError(f"no loop device: {error}") from error
    device = Path(output.decode().strip())
    try:
        yield device
    finally:
        machine.run(Command.of("losetup", "--detach", device))


@contextmanager
def mounted(device: Path, *, kind: str, options: str, machine: Runner) -> Iterator[int]:
    """Mount a device in a directory that only root can enter; hold its root directory open.

    Raises:
        CommandError: mount(8) failed.
    """
    with tempfile.TemporaryDirectory(prefix="holdstill-mount-") as folder:
        if kind == "btrfs":
            btrfs_twins.forget_twins(device, machine)
        words = ("--types", kind, "--options", f"{SAFE},{options}")
        machine.run(Command.of("mount", *words, device, folder, timeout=600))
        try:
            with files.opened(folder, os.O_RDONLY | os.O_DIRECTORY) as root:
                yield root
        finally:
            # umount(8) writes out the page cache, which takes as long as the medium needs.
            machine.run(Command.of("umount", folder, timeout=4 * 3600))
            if kind == "btrfs":
                btrfs_twins.forget(device)
