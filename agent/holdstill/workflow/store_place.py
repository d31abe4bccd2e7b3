"""Whether a directory is a place for a store: what would lose captures is refused beforehand."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import disks_below, mounts
from holdstill.errors import PreflightError
from holdstill.model.paths import BoardPath
from holdstill.model.sizes import GIB, human

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.mounts import Mount
    from holdstill.errors import HoldstillError

_WITHOUT_OWNERS = frozenset({"vfat", "msdos", "exfat"})
_IN_MEMORY = frozenset({"tmpfs", "ramfs"})
_BY_USERS = ("fuse.sshfs", "fuse.rclone", "fuse.gvfsd-fuse", "fuse.davfs", "davfs")
_NETWORK = frozenset({"nfs", "nfs4", "cifs", "smb3"})
_CARD = "mmcblk"
_SMALL = 8 * GIB
"""Less free room than this is worth a word: common practice, a small board's card has so much."""


def nearest(path: Path) -> Path:
    """Return a directory, or the one above it that is there already."""
    return next(place for place in (path, *path.parents) if place.is_dir())


def obstacles(
    store: Path, all_mounts: tuple[Mount, ...], *, min_free: int, min_free_inodes: int
) -> Iterator[HoldstillError]:
    """Yield why no store should be made here.

    Args:
        store: its directory, which need not be there.
        all_mounts: of this machine.
        min_free: bytes that a keeper leaves free in any case.
        min_free_inodes: the same in files.
    """
    place = nearest(store)
    mount = mounts.mount_of(BoardPath(os.fsencode(os.path.realpath(place))), all_mounts)
    if mount is not None:
        yield from _of_mount(store, mount)
    state = os.statvfs(place)
    free = state.f_bavail * state.f_frsize
    if free <= min_free or (state.f_files and state.f_favail <= min_free_inodes):
        yield PreflightError(
            f"the disk of {store} is full: {human(free)} and {state.f_favail} files can come, and "
            f"a keeper leaves {human(min_free)} and {min_free_inodes} free",
            hint="make room there, or name a directory on another disk (`df -h` shows them)",
        )


def _of_mount(store: Path, mount: Mount) -> Iterator[HoldstillError]:
    where, words = f"{store} is on a {mount.type} ({mount.point})", mount.options.split(",")
    if mount.is_read_only:
        yield PreflightError(
            f"{where} that is read-only", hint=f"`sudo mount -o remount,rw {mount.point}`"
        )
    if mount.type in _WITHOUT_OWNERS:
        yield PreflightError(
            f"{where}: it knows no owners and no permissions, so everybody here could read all "
            "captures and change them",
            hint="use a disk with ext4 (`sudo mkfs.ext4` on a new partition erases it)",
        )
    if mount.type in _IN_MEMORY:
        yield PreflightError(
            f"{where}: it is memory, and gone with the next restart",
            hint="name a directory on a disk; if one should be mounted there, mount it first",
        )
    if mount.type in _BY_USERS:
        yield PreflightError(
            f"{where}: no locks reach the other machine, and nothing says when bytes are on disk",
            hint="run the keeper on that other machine itself; boards reach it over SSH",
        )
    if mount.type in _NETWORK and (lost := _without(mount, words)):
        yield PreflightError(
            f"{where}, mounted with `{lost[0]}`: {lost[1]}",
            hint=f"mount it without `{lost[0]}`; better, run the keeper on that other machine",
        )


def _without(mount: Mount, words: list[str]) -> tuple[str, str] | None:
    """Return the option of a network file system that a store cannot live with, and why."""
    locks = "two machines could change the store at once, for locks stay on this one"
    unsafe = {  # nfs(5), mount.cifs(8)
        "nolock": locks,
        "nobrl": locks,
        "soft": "what is written may be lost when the network is slow",
        "softerr": "what is written may be lost when the network is slow",
    }
    if mount.type == "cifs" or mount.type == "smb3":  # its `soft` is the default, and is no loss
        unsafe = {key: why for key, why in unsafe.items() if not key.startswith("soft")}
    local = mount.option("local_lock")
    if local not in {None, "none"}:
        unsafe[f"local_lock={local}"] = locks
    return next(((word, unsafe[word]) for word in words if word in unsafe), None)


def of_card(store: Path, all_mounts: tuple[Mount, ...]) -> Iterator[HoldstillError]:
    """Yield an error for a store on the card that this machine itself runs from."""
    here, root = (disks_below.disks_below(place, all_mounts) for place in (nearest(store), _ROOT))
    if cards := sorted(disk for disk in here & root if disk.startswith(_CARD)):
        yield PreflightError(
            f"{store} is on {cards[0]}, the card that this machine runs from: cards wear out by "
            "writing, and this one would take all captures with it",
            hint="put the store on a USB disk or another machine; to insist, give --store-on-card",
        )


_ROOT = Path("/")


def remarks(store: Path, all_mounts: tuple[Mount, ...]) -> tuple[str, ...]:
    """Return what is worth knowing of a place that is allowed."""
    place = nearest(store)
    mount = mounts.mount_of(BoardPath(os.fsencode(os.path.realpath(place))), all_mounts)
    said = []
    if mount is not None and mount.type in _NETWORK:
        said.append(
            f"{store} is on a network file system ({mount.type}): a keeper on that machine itself "
            "would be faster, and captures would go on when this one is off"
        )
    state = os.statvfs(place)
    if (free := state.f_bavail * state.f_frsize) < _SMALL:
        said.append(f"only {human(free)} are free for captures")
    return tuple(said)
