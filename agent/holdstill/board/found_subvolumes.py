"""The subvolumes that a btrfs has, as the kernel lists them."""

from __future__ import annotations

from dataclasses import dataclass

from holdstill.system import ioctl


@dataclass(frozen=True)
class FoundSubvolume:
    """One subvolume.

    Attributes:
        path: from the top of the file system, without a slash at its beginning.
        is_snapshot: whether it was made as one of another subvolume.
    """

    id: int
    path: bytes
    is_snapshot: bool
    is_read_only: bool
    is_default: bool


def find(handle: int) -> list[FoundSubvolume]:
    """Return the subvolumes, but the top, of the btrfs that an open directory is on, by path.

    Raises:
        OSError: they cannot be listed.
    """
    default = ioctl.btrfs_default(handle)
    listed = {volume.id: volume for volume in ioctl.btrfs_subvolumes(handle)}
    names = {
        volume.id: ioctl.btrfs_directory(handle, volume.parent, volume.directory) + volume.name
        for volume in listed.values()
    }
    found = []
    for volume in listed.values():
        path, parent = names[volume.id], volume.parent
        while parent in listed:
            path, parent = names[parent] + b"/" + path, listed[parent].parent
        found.append(
            FoundSubvolume(
                volume.id, path, volume.is_snapshot, volume.is_read_only, volume.id == default
            )
        )
    return sorted(found, key=lambda one: one.path.split(b"/"))
