"""The block device that a mount is of."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdstill.board.mounts import Mount

_DEVICES = Path("/sys/dev/block")


def number(mount: Mount) -> tuple[int, int]:
    """Return the block device of a mount; btrfs shows an anonymous number in mountinfo.

    Other sources than devices are not looked at: one that is on a dead network would hold us up.
    """
    if mount.device[0] != 0 or not mount.source.startswith("/dev/"):
        return mount.device
    try:
        number = Path(mount.source).stat().st_rdev
    except OSError:
        return mount.device
    return os.major(number), os.minor(number)


def node(mount: Mount) -> Path:
    """Return the device node; the kernel's own mount of the root may call it by no name there is.

    Raises:
        OSError: ENOENT: it is of no block device.
    """
    major, minor = number(mount)
    found = (_DEVICES / f"{major}:{minor}").resolve(strict=True)
    return Path("/dev") / found.name.replace("!", "/")
