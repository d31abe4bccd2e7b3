"""Which whole disks a directory lies on, through partitions, mappings, loop files and overlays."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

from holdstill.board import layout, mount_device, mounts
from holdstill.model.paths import BoardPath

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.mounts import Mount

_DELETED = " (deleted)"
_DEPTH_MAX = 16
"""Devices on each other that are followed; more are not known in practice."""


def disks_below(path: Path, all_mounts: tuple[Mount, ...], *, sys: Path = layout.SYS) -> set[str]:
    """Return the names in /sys/block of all disks that hold the bytes of a directory.

    What is between is named too: a loop device, and the disk that its file is on. None for a
    file system without a disk (network, memory).
    """
    found: set[str] = set()
    _collect(_device_of(os.path.realpath(path), all_mounts), all_mounts, sys, found)
    return found


def is_encrypted(path: Path, all_mounts: tuple[Mount, ...], *, sys: Path = layout.SYS) -> bool:
    """Whether all bytes of a directory, a file or a block device pass an encrypting mapping.

    Of encryption by the disk itself, or by the file system (fscrypt, eCryptfs), nothing is known
    here.
    """
    state = path.stat()
    is_device = stat.S_ISBLK(state.st_mode)
    number = (
        (os.major(state.st_rdev), os.minor(state.st_rdev))
        if is_device
        else _device_of(os.path.realpath(path), all_mounts)
    )
    return _is_encrypted(number, all_mounts, sys)


def _is_encrypted(
    number: tuple[int, int], all_mounts: tuple[Mount, ...], sys: Path, depth: int = 0
) -> bool:
    place = sys / "dev/block" / f"{number[0]}:{number[1]}"
    if not place.exists() or depth > _DEPTH_MAX:
        return False
    if layout.first_line(place / "dm/uuid").startswith("CRYPT-"):
        return True
    below = list(_below(_whole(place), all_mounts))
    return bool(below) and all(_is_encrypted(one, all_mounts, sys, depth + 1) for one in below)


def disk_name(device: Path, *, sys: Path = layout.SYS) -> str:
    """Return a block device's name in /sys/block, of a partition that of its disk; "" for a file.

    Raises:
        OSError: it is not there.
    """
    number = device.stat().st_rdev
    place = sys / "dev/block" / f"{os.major(number)}:{os.minor(number)}"
    return _whole(place).name if device.is_block_device() and place.exists() else ""


def _device_of(path: str, all_mounts: tuple[Mount, ...]) -> tuple[int, int]:
    """Return the number of the block device that what is written at a path goes to."""
    mount = mounts.mount_of(BoardPath(os.fsencode(path)), all_mounts)
    if mount is None:
        return (0, 0)
    upper = mount.option("upperdir") if mount.type == "overlay" else None
    below = tuple(m for m in all_mounts if m is not mount)
    return _device_of(upper, below) if upper else mount_device.number(mount)


def _collect(
    number: tuple[int, int], all_mounts: tuple[Mount, ...], sys: Path, found: set[str]
) -> None:
    place = sys / "dev/block" / f"{number[0]}:{number[1]}"
    if not place.exists():
        return
    disk = _whole(place)
    if disk.name in found:
        return
    found.add(disk.name)
    for below in _below(disk, all_mounts):
        _collect(below, all_mounts, sys, found)


def _whole(place: Path) -> Path:
    real = place.resolve()
    return real.parent if (real / "partition").exists() else real


def _below(disk: Path, all_mounts: tuple[Mount, ...]) -> Iterator[tuple[int, int]]:
    """Yield the devices that a mapping is made of, or the one that a loop device's file is on."""
    slaves = disk / "slaves"
    for slave in slaves.iterdir() if slaves.is_dir() else ():
        major, _, minor = (slave / "dev").read_text(encoding="ascii").strip().partition(":")
        yield int(major), int(minor)
    backing = disk / "loop/backing_file"
    if backing.exists():
        file = backing.read_text(encoding="utf-8", errors="surrogateescape").rstrip("\n")
        yield _device_of(file.removesuffix(_DELETED), all_mounts)
