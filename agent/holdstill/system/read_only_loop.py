"""A read-only loop device that goes away by itself, also when we are killed (loop(4)).

What is mounted from it cannot write a byte to what is below, whatever the file system's driver
would like to: not every driver takes "read-only" for a promise about the medium.
"""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.system import files, ioctl

if TYPE_CHECKING:
    from collections.abc import Iterator

_CONTROL = Path("/dev/loop-control")
_TRIES = 20
"""Somebody else may take the free device first."""


@contextmanager
def attached(source: int, *, offset: int, size: int) -> Iterator[Path]:
    """Hold a loop device over a range of an open file or device.

    What is mounted from it in the block keeps it after the block.

    Args:
        source: descriptor, open for reading.
        offset: bytes from its start.
        size: bytes of the device.

    Raises:
        OSError: EPERM: we are not root; ENOENT: the kernel has no loop devices; EINVAL: it is
            older than 5.8.
    """
    for attempt in range(_TRIES):
        device = _free_device()
        with files.opened(device, os.O_RDONLY) as handle:
            try:
                ioctl.configure_read_only_loop(handle, source, offset=offset, size=size)
            except OSError as error:
                if error.errno != errno.EBUSY or attempt + 1 == _TRIES:
                    raise
                continue
            yield device
            return


def _free_device() -> Path:
    with files.opened(_CONTROL, os.O_RDWR) as control:
        return Path(f"/dev/loop{ioctl.free_loop_number(control)}")
