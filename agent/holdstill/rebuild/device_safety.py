"""The claim on a block device: why one may not be written, what must be confirmed, and O_EXCL.

Writing a card destroys what is on it, so a device is refused if it is in use, not a whole disk,
too small, or not named. A device that is unlike a card must be named twice. The claim is O_EXCL
on the whole disk, which the kernel also refuses when one partition is mounted, swapped to, or
held by device-mapper or RAID; as long as it is held nothing can mount the card. The lock
beside it keeps udev off (systemd, "Locking Block Device Access").
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.errors import HoldstillError, TargetRefusedError
from holdstill.model.sizes import GIB, SECTOR, human
from holdstill.rebuild import block_device, rebuild_target
from holdstill.rebuild.rebuild_target import Target
from holdstill.system import ioctl

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.rebuild.block_device import BlockDevice, Places
    from holdstill.system.process import Runner

LARGEST_CARD = 512 * GIB
"""Bytes of the largest cards, by default."""


@dataclass(frozen=True)
class Confirmation:
    """What the person typed.

    Attributes:
        token: the device's serial or size in bytes.
        again: the same, for a device that is unlike a card.
        largest: bytes above which a disk is hardly a card.
    """

    token: str = ""
    again: str = ""
    largest: int = LARGEST_CARD


def check_fit(device: BlockDevice, *, needed: int, sector_size: int = SECTOR) -> None:
    """Refuse a device that must not be written whoever names it; arguments as of `check`.

    Raises:
        TargetRefusedError: every reason.
    """
    reasons = list(_reasons(device, needed, sector_size))
    if reasons:
        raise TargetRefusedError(
            f"{device.path} is not written: " + "; ".join(reasons) + f"\n{device.describe()}",
            hint="name another card; nothing overrides this",
        )


def check(
    device: BlockDevice, *, needed: int, consent: Confirmation, sector_size: int = SECTOR
) -> None:
    """Refuse a device that must not be written, or that was not named.

    Args:
        device: as it is now.
        needed: bytes that it must have.
        consent: what the person typed.
        sector_size: bytes in which the captured disk's partition table counts.

    Raises:
        TargetRefusedError: every reason, and what to pass to write it anyway.
    """
    check_fit(device, needed=needed, sector_size=sector_size)
    oddities = list(_oddities(device, consent.largest))
    again = f" --again {device.tokens[0]}" if oddities else ""
    words = f"`--confirm {device.tokens[0]}{again}`"
    if consent.token not in device.tokens or (oddities and consent.again not in device.tokens):
        wrong = [
            f"{word} is neither its serial nor its size"
            for word in dict.fromkeys((consent.token, consent.again))
            if word and word not in device.tokens
        ]
        facts = f"everything on this device would be lost:\n{device.describe()}"
        raise TargetRefusedError(
            "\n".join([facts, *oddities, *wrong]),
            hint=f"if it is the right one, say {words}",
        )


def _reasons(device: BlockDevice, needed: int, sector_size: int) -> Iterator[str]:
    """Give the reasons that nothing overrides."""
    if device.whole:
        yield f"it is a partition; name the whole disk, /dev/{device.whole}"
    if not device.size:
        yield "it has no medium: is the card in?"
    yield from device.uses
    if device.sector_size != sector_size:
        yield (
            f"its sectors have {device.sector_size} bytes; those of the captured disk have "
            f"{sector_size}, in which its partition table counts"
        )
    if device.is_read_only:
        yield "it is read-only: look for the little switch on the card's side"
    if 0 < device.size < needed:
        short = needed - device.size
        yield f"it is too small by {short} bytes: {human(needed)} are needed"


def _oddities(device: BlockDevice, largest: int) -> Iterator[str]:
    """Yield how a device differs from a card."""
    if device.size > largest:
        yield f"it is larger than a card is likely to be ({human(largest)})"
    if device.is_fixed:
        yield "it looks like a disk that is built in"
    yield from device.members


def is_same_medium(judged: BlockDevice, *, now: BlockDevice, size: int) -> bool:
    """Whether the device that is open now, of this size, is the one that was judged."""
    return (now.number, now.serial, now.sequence, size) == (
        judged.number,
        judged.serial,
        judged.sequence,
        judged.size,
    )


@contextmanager
def claimed_device(
    path: Path,
    *,
    needed: int,
    consent: Confirmation,
    machine: Runner,
    sector_size: int = SECTOR,
    places: Places = block_device.HERE,
) -> Iterator[Target]:
    """Hold a whole disk for writing; no other process can mount or claim it meanwhile.

    When the block raises after the old table was destroyed, no table is left on the disk.

    Raises:
        TargetRefusedError: the device must not be written, or was not named; it was not touched.
        TargetFailedError: the device did not take what was written.
    """
    device = block_device.inspect_device(path, machine, places=places)
    check(device, needed=needed, consent=consent, sector_size=sector_size)
    with _exclusive(device) as handle:
        # Check by the open descriptor that the device is still the one that was judged.
        found = os.fstat(handle)
        number = (os.major(found.st_rdev), os.minor(found.st_rdev))
        now = block_device.find_device(device.path, number, places=places)
        if not is_same_medium(device, now=now, size=ioctl.device_size(handle)):
            raise TargetRefusedError(
                f"{device.path} is another device than a moment ago",
                hint="look again, and start over",
            )
        claimed = Target(path, handle, device.size, str(path), is_device=True)
        try:
            yield claimed
            rebuild_target.flush(handle, str(path))
        except BaseException:
            if claimed.has_begun:
                # The device may be what failed. The error that counts is on its way already.
                with contextlib.suppress(HoldstillError, OSError):
                    rebuild_target.invalidate(claimed)
            raise


@contextmanager
def _exclusive(device: BlockDevice) -> Iterator[int]:
    flags = os.O_RDWR | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        handle = os.open(device.path, flags)
    except OSError as error:
        raise TargetRefusedError(
            f"{device.path} cannot be claimed: {_WHY.get(error.errno or 0, error.strerror)}",
            hint="unmount it, and see `lsblk` for what uses it",
        ) from error
    try:
        with contextlib.suppress(BlockingIOError):  # udev is reading it and will release it
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield handle
    finally:
        os.close(handle)


_WHY = {
    errno.EBUSY: "it is in use",
    errno.EACCES: "you may not write to it, or it is read-only",
    errno.EROFS: "it is read-only",
    errno.ENOMEDIUM: "there is no card in it",
}
