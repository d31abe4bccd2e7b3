"""The files that loop devices are made of, and what these are on."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import mount_device, mounts
from holdstill.board.board_facts import LoopFile
from holdstill.model.paths import BoardPath
from holdstill.system import ioctl

if TYPE_CHECKING:
    from holdstill.board.mounts import Mount

DEV = Path("/dev")
_DELETED = " (deleted)"


def read(disk: Path, all_mounts: tuple[Mount, ...], *, dev: Path = DEV) -> LoopFile | None:
    """Return the file of a loop device; None for any other.

    Its path alone proves nothing: of a file system that is mounted out of sight, such as in the
    initramfs, the kernel writes paths that may lead to other files here. The device is asked.

    Args:
        disk: its folder in /sys.
        all_mounts: what is mounted.
        dev: has the device's node; without one its path has to do.
    """
    text = _backing_file(disk)
    if not text.startswith("/"):
        return None
    path, is_deleted = text.removesuffix(_DELETED), text.endswith(_DELETED)
    seen = mounts.mount_of(_board_path(path), all_mounts)
    by_path = mount_device.number(seen) if seen else None
    with suppress(OSError):
        told = _asked(dev / disk.name)
        if os.major(told[0]):
            by_path = os.major(told[0]), os.minor(told[0])
        elif not is_deleted and not _is_file(path, told):
            by_path = None  # a btrfs has no number of its own, and the path leads elsewhere
    return LoopFile(path, by_path, is_deleted)


def inodes(sys: Path = Path("/sys")) -> set[int]:
    """Return the inodes, of any file system, of all loop devices' files."""
    found = set()
    for folder in sys.glob("block/loop*/loop"):
        with suppress(OSError):
            found.add(_asked(DEV / folder.parent.name)[1])
    return found


def inside(file: LoopFile, all_mounts: tuple[Mount, ...]) -> BoardPath:
    """Return a file's path from the top of its file system, as far as a mount shows it."""
    path = _board_path(file.path)
    mount = mounts.mount_of(path, all_mounts)
    if mount is None or mount_device.number(mount) != file.number:
        return path
    return mounts.joined(mount.inside, mounts.relative_to(path, mount.point))


def _backing_file(disk: Path) -> str:
    try:
        return (disk / "loop/backing_file").read_text(errors="surrogateescape").rstrip("\n")
    except OSError:
        return ""


def _board_path(path: str) -> BoardPath:
    return BoardPath(path.encode(errors="surrogateescape"))


def _asked(node: Path) -> tuple[int, int]:
    """Return st_dev and st_ino of a loop device's file."""
    handle = os.open(node, os.O_RDONLY | os.O_CLOEXEC)
    try:
        return ioctl.loop_file(handle)
    finally:
        os.close(handle)


def _is_file(path: str, told: tuple[int, int]) -> bool:
    try:
        about = Path(path).stat()
    except OSError:
        return False
    return (about.st_dev, about.st_ino) == told
