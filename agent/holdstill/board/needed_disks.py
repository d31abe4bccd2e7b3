"""Finds the disks that a board needs: of what it boots from, of its root, of its system."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import (
    block_devices,
    disk_order,
    layout,
    loop_chain,
    mount_device,
    mounts,
    system_names,
)
from holdstill.board.disk_order import PlacedDevice
from holdstill.errors import LayoutError
from holdstill.model.layout import DISKS_MAX
from holdstill.model.paths import BoardPath

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from holdstill.board.board_facts import BlockDevice, Number
    from holdstill.board.mounts import Mount

AUTO = "auto"
"""What the settings call the disks that the board needs."""


def find(
    words: Sequence[str],
    root: BoardPath,
    all_mounts: tuple[Mount, ...],
    *,
    store: Path | None = None,
) -> tuple[Path, ...]:
    """Return the devices that the settings mean, the one that the board boots from first.

    Args:
        words: devices, and `auto` for those that the board needs.
        root: where the board's root is mounted on this system.
        all_mounts: what is mounted.
        store: the keeper's store, if it is in a directory of this machine: that disk is none.

    Raises:
        LayoutError: there is no disk below the root, or there are too many.
    """
    layout.check_root(root)
    found = list[Path]()
    for word in words:
        found += _needed(root, all_mounts, store) if word == AUTO else [Path(word)]
    distinct = tuple(dict.fromkeys(map(layout.node_of, found)))
    if len(distinct) > DISKS_MAX:
        raise LayoutError(
            f"the board needs {len(distinct)} disks, and a capture holds {DISKS_MAX} at most",
            hint="name those that matter as `disks` in the board's settings",
        )
    return distinct


def _needed(root: BoardPath, all_mounts: tuple[Mount, ...], store: Path | None) -> list[Path]:
    devices = block_devices.read_block_devices(all_mounts)
    mounted = tuple(_mounted(root, all_mounts))
    is_here = root.raw == b"/"
    seen = None if is_here else frozenset(one.number for one in mounted)
    own = _disk_of_root(root, all_mounts, devices, seen)
    not_for = place_of(store, root, all_mounts) if store else ""
    placed = [one for one in (*mounted, *_named(root)) if one.place != not_for]
    name = str(own).removeprefix("/dev/")
    return [
        own if disk == name else Path("/dev") / disk
        for disk in disk_order.order(name, placed, devices, seen=seen)
    ]


def _disk_of_root(
    root: BoardPath,
    all_mounts: tuple[Mount, ...],
    devices: Sequence[BlockDevice],
    seen: Collection[Number] | None,
) -> Path:
    """Return the device of the disk that root is on, or that the file is on which it is in.

    Raises:
        LayoutError: it is in a file that nothing that copies files would find.
    """
    disk = layout.disk_of_root(root, all_mounts)
    by_number = {device.number: device for device in devices}
    top = next((device for device in devices if disk == Path("/dev") / device.name), None)
    if top is None:
        return disk
    by_name = {device.name: device for device in devices}
    of_volume = disk_order.physical(top, by_name)[0]
    if of_volume is not top:
        return Path("/dev") / of_volume.disk
    below = loop_chain.device_below(top, by_number, seen)
    if below.file and loop_chain.is_own(below.file, seen):
        why = (
            "whose name is gone: nothing that copies files finds it"
            if below.file.is_deleted
            else "and what that is on is no block device, or cannot be told"
        )
        raise LayoutError(
            f"{root} is on /dev/{below.name}, which is {below.file}, {why}",
            hint="start the board with its system in a file of its card, where that belongs: a "
            "capture has what is on its disks",
        )
    return disk if below is top else Path("/dev") / below.disk


def _mounted(root: BoardPath, all_mounts: tuple[Mount, ...]) -> Iterator[PlacedDevice]:
    for mount in all_mounts:
        if mounts.is_below(mount.point, root):
            place = str(mounts.relative_to(mount.point, root))
            yield PlacedDevice(mount_device.number(mount), place, is_named=False)


def _named(root: BoardPath) -> Iterator[PlacedDevice]:
    """Yield what fstab names, of a board that runs here: elsewhere its names lead nowhere."""
    names = system_names.read(root)
    for entry in names.fstab:
        number = names.devices_of.get(entry.spec)
        if number is not None and names.is_here:
            yield PlacedDevice(number, entry.point, is_named=True)


def place_of(path: Path, root: BoardPath, all_mounts: tuple[Mount, ...]) -> str:
    """Return where that is mounted which a path is on, as seen from a root; "" if not below it."""
    mount = mounts.mount_of(BoardPath(os.fsencode(os.path.realpath(path))), all_mounts)
    if mount is None or not mounts.is_below(mount.point, root):
        return ""
    return str(mounts.relative_to(mount.point, root))
