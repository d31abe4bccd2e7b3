"""A loop device with the demonstration's card, attached, mounted and taken down again."""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import CommandError, PreflightError
from holdstill.system import files, ioctl
from holdstill.system.process import Command

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.system.clocks import Clock
    from holdstill.system.process import Runner


_SETTLING = 10.0


def partition(device: Path, number: int) -> Path:
    """Return the node of a partition of a loop device."""
    return device.with_name(f"{device.name}p{number}")


@contextmanager
def attached(image: Path, machine: Runner, clock: Clock) -> Iterator[Path]:
    """Hold an image attached as a loop device."""
    try:
        words = ("losetup", "--find", "--show", "--partscan", image)
        device = Path(machine.run(Command.of(*words)).decode().strip())
        # A kernel without partition parsers needs partx(8); for others it is harmless.
        machine.run(Command.of("partx", "--update", device))
        wait(partition(device, 2).is_block_device, f"{device} has no partitions", clock)
        yield device
    finally:
        listing = Command.of("losetup", "--noheadings", "--output", "NAME", "--associated", image)
        for attached in machine.run(listing).decode().split():
            machine.run(Command.of("losetup", "--detach", attached))


@contextmanager
def mounted(device: Path, root: Path, machine: Runner, clock: Clock) -> Iterator[None]:
    """Hold the root file system mounted; it is thawed and unmounted whatever happens."""
    root.mkdir(mode=0o755)
    try:
        machine.run(Command.of("mount", "-t", "ext4", "-o", "noatime", device, root))
        yield
    finally:
        if root.is_mount():
            thaw(root)
            _unmount(root, machine, clock)


def _unmount(root: Path, machine: Runner, clock: Clock) -> None:
    """Unmount; what was just ended may hold it for another moment."""
    deadline = clock.monotonic() + _SETTLING
    while clock.monotonic() < deadline:
        with suppress(CommandError):
            machine.run(Command.of("umount", root))
            return
        clock.sleep(0.1)
    machine.run(Command.of("umount", root))


def thaw(root: Path) -> None:
    """Thaw, if a killed process left it frozen."""
    with files.opened(root, os.O_RDONLY | os.O_DIRECTORY) as handle, suppress(OSError):
        ioctl.thaw(handle)


def wait(happened: Callable[[], bool], otherwise: str, clock: Clock) -> None:
    """Wait until something has happened; RuntimeError with the words otherwise."""
    deadline = clock.monotonic() + _SETTLING
    while not happened():
        if clock.monotonic() > deadline:
            raise PreflightError(otherwise)
        clock.sleep(0.05)
