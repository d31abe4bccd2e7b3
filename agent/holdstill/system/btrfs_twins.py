"""Two file systems with one UUID, such as a card and the one that it was rebuilt to; only btrfs.

The kernel and btrfs-progs take a UUID for one file system, whatever devices it is seen on: mkfs
refuses one that any disk of this machine has, and of two the kernel mounts the one with the higher
generation. So mkfs is shown no other disk, and the kernel is made to forget what nobody uses.
"""

from __future__ import annotations

import os
import struct
import uuid
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.errors import CommandError
from holdstill.system import files, ioctl
from holdstill.system.process import Command

if TYPE_CHECKING:
    from holdstill.system.byte_source import OpenFile
    from holdstill.system.process import Runner

_CONTROL = "/dev/btrfs-control"
_SUPERBLOCK_AT, _UUID_IN_IT = 0x10000, slice(0x20, 0x30)
_COUNT_IN_IT, _U64 = 0x88, struct.Struct("<Q")
"""btrfs documentation, On-disk Format, superblock: fsid, num_devices."""
WITHOUT_OTHER_DISKS = (
    "env",
    "BLKID_FILE=/dev/null",
    "unshare",
    "--mount",
    "sh",
    "-c",
    'mount -t tmpfs none /sys/block && mount --bind /dev/null /proc/partitions && exec "$0" "$@"',
)
"""Runs a command that finds no disk when it looks for all: that is where libblkid looks, and what
it remembers (blkid(8))."""


def forget(device: Path) -> None:
    """Have the kernel forget which btrfs was on a device, if nothing uses it."""
    with suppress(OSError), files.opened(_CONTROL, os.O_RDWR) as control:
        ioctl.btrfs_forget(control, os.fsencode(device))


def device_count(source: OpenFile) -> int:
    """Return how many devices the btrfs is spread over that is on an open one."""
    return int(*_U64.unpack(source.read(_SUPERBLOCK_AT + _COUNT_IN_IT, _U64.size)))


def is_on(handle: int, device: Path) -> bool:
    """Whether the btrfs of an open directory is on this device, and on no other."""
    number = device.stat().st_rdev
    paths = map(os.fsdecode, ioctl.btrfs_device_paths(handle))
    return [Path(path).stat().st_rdev for path in paths] == [number]


def forget_twins(device: Path, machine: Runner) -> None:
    """Have the kernel forget every unused device with the btrfs that is on this one.

    The next scan, or mount, of them makes it known again.
    """
    with files.opened(device) as handle:
        block = os.pread(handle, _UUID_IN_IT.stop, _SUPERBLOCK_AT)
    wanted = uuid.UUID(bytes=block[_UUID_IN_IT])
    words = ("--cache-file", "/dev/null", "--match-token", f"UUID={wanted}", "--output", "device")
    try:
        found = machine.run(Command.of("blkid", *words))
    except CommandError:  # blkid(8) ends with 2 when it finds none
        return
    for line in found.decode(errors="surrogateescape").splitlines():
        forget(Path(line))
