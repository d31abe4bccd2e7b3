"""Writes an area of an eMMC, from which a board may boot: only what differs is written.

Linux keeps boot areas read-only until 0 is written to `force_ro` (Documentation/driver-api/mmc/
mmc-dev-parts.rst); what was there is written back at the end.
"""

from __future__ import annotations

import errno
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from holdstill.errors import TargetFailedError, TargetRefusedError
from holdstill.system import ioctl, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdstill.disks.emmc_areas import EmmcArea
    from holdstill.model.pieces import Part

_LOCKED = frozenset({errno.EPERM, errno.EACCES, errno.EROFS})


def write(area: EmmcArea, *, size: int, pieces: Iterable[tuple[Part, bytes]]) -> None:
    """Write pieces, which were checked, to an area; the rest of its first size bytes is zeroed.

    What is behind them, in a larger area, is left alone.

    Raises:
        TargetRefusedError: it is another area than a moment ago, or too small.
        TargetFailedError: it is in use, or did not take what was written.
    """
    with _told(area), _writable(area), _claimed(area, size) as handle:
        done = 0
        for part, data in pieces:
            sparse_copy.clear(handle, done, part.offset - done)
            if os.pread(handle, part.length, part.offset) != data:
                sparse_copy.write_all_at(handle, part.offset, data)
            done = part.offset + part.length
        sparse_copy.clear(handle, done, size - done)
        os.fsync(handle)
        ioctl.drop_device_cache(handle)


@contextmanager
def _claimed(area: EmmcArea, size: int) -> Iterator[int]:
    try:
        handle = os.open(area.device, os.O_RDWR | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        raise TargetFailedError(
            f"{area.device} cannot be opened for writing, and is as it was: {_why(error)}",
            hint="see `lsblk` for what uses it; or leave --boot-areas out",
        ) from error
    try:
        found = os.fstat(handle).st_rdev
        if (os.major(found), os.minor(found)) != area.number or ioctl.device_size(handle) < size:
            raise TargetRefusedError(
                f"{area.device} is another area than a moment ago",
                hint="look again, and start over",
            )
        yield handle
    finally:
        os.close(handle)


@contextmanager
def _writable(area: EmmcArea) -> Iterator[None]:
    """Let the kernel accept writes to it; an area for general purposes has no such guard."""
    guard = area.home / "force_ro"
    is_guarded = guard.exists() and guard.read_text(encoding="ascii").strip() != "0"
    if is_guarded:
        guard.write_text("0\n", encoding="ascii")
    try:
        yield
    finally:
        if is_guarded:
            guard.write_text("1\n", encoding="ascii")


@contextmanager
def _told(area: EmmcArea) -> Iterator[None]:
    """Say which area failed, and what that means."""
    try:
        yield
    except OSError as error:
        raise TargetFailedError(
            f"{area.device} did not take what was written: {_why(error)}",
            hint="a board that boots from it may not start: write the area again before it loses "
            "power, from the file that `holdstill get` takes out of the capture",
        ) from error


def _why(error: OSError) -> str:
    is_locked = error.errno in _LOCKED
    return f"{error.strerror}{', by the kernel or by the eMMC itself' if is_locked else ''}"
