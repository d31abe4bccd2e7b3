"""Which disks a board needs, and in which order a capture has them. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from holdstill.board import loop_chain

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from holdstill.board.board_facts import BlockDevice, Number

BOOT_PLACES = ("/boot/firmware", "/boot/efi", "/efi", "/boot")
"""Where systems mount what they boot from, the first link first (UAPI.1 Boot Loader Specification;
/boot/firmware: common practice)."""
SYSTEM_PLACES = ("/boot", "/efi", "/etc", "/home", "/opt", "/root", "/srv", "/usr", "/var")
"""What belongs to a system (Filesystem Hierarchy Standard 3.0, 3 to 5; /efi: UAPI.1). What is
mounted elsewhere is data that the owner has put there."""
READ_THROUGH = frozenset({"LUKS", "LVM", "mirror"})
"""Mappings whose volumes are captured as parts of the partitions that they are made of."""
NO_DISKS = ("zram", "ram", "nbd", "rbd", "fd", "sr")
"""What the names of block devices begin with that are in memory, on a network, or drives for
media (Linux Documentation/admin-guide/devices.txt; nbd, rbd and zram by their own drivers)."""


class PlacedDevice(NamedTuple):
    """A block device that something of the board is on.

    Attributes:
        place: where that is mounted, or is to be, as seen from the board's root.
        is_named: whether fstab says so.
    """

    number: Number
    place: str
    is_named: bool


def order(
    own: str,
    placed: Iterable[PlacedDevice],
    devices: Sequence[BlockDevice],
    *,
    seen: Collection[Number] | None,
) -> tuple[str, ...]:
    """Return the names of the disks that a board needs, in the order of a capture. Pure.

    Disks below mappings, and arrays, that are not read through are none: what is on those is not
    read from their disks. What is in a file of the board is on the disk that the file is on.

    Args:
        own: the disk that root is on, or that its volume is on.
        placed: what is, or is to be, mounted.
        devices: all that there are.
        seen: of the file systems that the board sees; None for all, if it runs here.
    """
    by_number = {device.number: device for device in devices}
    by_name = {device.name: device for device in devices}
    known = [one for one in placed if one.number in by_number]
    places: dict[str, list[str]] = {own: ["/"]}
    named = {one.number for one in known if one.is_named}
    below = _below(own, by_name)
    held = [
        (one, device)
        for one in known
        for device in physical(
            loop_chain.device_below(by_number[one.number], by_number, seen), by_name
        )
    ]
    for one, device in held:
        whole = by_name.get(device.disk, device)
        if device.below or whole.below or device.disk.startswith(NO_DISKS):
            continue
        if device.disk in below:
            continue  # its partitions are in use as what the root is made of
        if device.file and loop_chain.is_own(device.file, seen):
            continue  # a file that was deleted, or is on no device
        is_kept = not device.is_removable or one.number in named or one.place in BOOT_PLACES
        if device.disk == own or (is_of_the_system(one.place) and is_kept):
            places.setdefault(device.disk, []).append(one.place)
    return tuple(sorted(places, key=lambda disk: _rank(places[disk])))


def physical(device: BlockDevice, by_name: Mapping[str, BlockDevice]) -> tuple[BlockDevice, ...]:
    """Return the devices that a volume is made of, through containers, groups and mirrors.

    What is no volume, or is made of what is not read through, is returned as it is.
    """
    found: dict[str, BlockDevice] = {}
    todo = [device]
    visited = set[str]()
    while todo:
        here = todo.pop()
        if here.name in visited:
            continue
        visited.add(here.name)
        below = [by_name[name] for name in here.below if name in by_name]
        if here.mapping in READ_THROUGH and below:
            todo += reversed(below)
        else:
            found[here.name] = here
    return tuple(found.values())


def _below(own: str, by_name: Mapping[str, BlockDevice]) -> set[str]:
    """Return the names of the disks that a mapping or array is made of."""
    found, todo = set[str](), [own]
    while todo:
        device = by_name.get(todo.pop())
        if device is not None and device.name not in found:
            found.add(device.name)
            todo += (*device.below, *({device.disk} - {device.name}))
    return found - {own}


def is_of_the_system(place: str) -> bool:
    """Whether what is mounted there belongs to the system, and not to the owner's own data."""
    return place == "/" or any(
        place == system or place.startswith(f"{system}/") for system in SYSTEM_PLACES
    )


def _rank(places: Sequence[str]) -> tuple[int, str]:
    """Return what orders disks: first what is booted from, then the root; the rest by place.

    Not by device: the kernel may call disks otherwise after each start.
    """
    first = [BOOT_PLACES.index(place) for place in places if place in BOOT_PLACES]
    if first:
        return min(first), ""
    return (len(BOOT_PLACES), "") if "/" in places else (len(BOOT_PLACES) + 1, min(places))
