"""The block devices of this machine, as /sys describes them; no device is touched."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import layout, mount_device, mounts
from holdstill.board.board_facts import BlockDevice
from holdstill.model.paths import BoardPath

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.board_facts import Number
    from holdstill.board.mounts import Mount

_DELETED = " (deleted)"


def read_block_devices(
    all_mounts: tuple[Mount, ...], *, sys: Path = layout.SYS
) -> tuple[BlockDevice, ...]:
    """Describe every block device; one that goes away meanwhile is left out."""
    return tuple(_each(all_mounts, sys))


def _each(all_mounts: tuple[Mount, ...], sys: Path) -> Iterator[BlockDevice]:
    folder = sys / "class/block"
    for place in sorted(folder.iterdir()) if folder.is_dir() else ():
        number = _number(layout.first_line(place / "dev"))
        if number is None:
            continue
        real = place.resolve()
        whole = real.parent if (real / "partition").exists() else real
        yield BlockDevice(
            name=_name(place),
            number=number,
            disk=_name(whole),
            below=_names(real / "slaves"),
            mapping=_mapping(real),
            file_on=_file_on(real, all_mounts),
            is_removable=layout.first_line(whole / "removable") == "1",
        )


def _name(place: Path) -> str:
    """Return a device's name below /dev: /sys writes a slash in it as an exclamation mark."""
    return place.name.replace("!", "/")


def _number(text: str) -> Number | None:
    major, colon, minor = text.partition(":")
    return (int(major), int(minor)) if colon else None


def _names(folder: Path) -> tuple[str, ...]:
    return tuple(sorted(map(_name, folder.iterdir()))) if folder.is_dir() else ()


def _mapping(place: Path) -> str:
    """Return what kind of mapping a device is: the first word of a dm device's UUID, or md."""
    if (place / "dm").is_dir():
        return layout.first_line(place / "dm/uuid").partition("-")[0] or "mapping"
    return next((kind for kind in ("md", "bcache") if (place / kind).is_dir()), "")


def _file_on(place: Path, all_mounts: tuple[Mount, ...]) -> Number | None:
    """Return the number of the file system that a loop device's file is on, by mountinfo.

    A file that was deleted is on none: nothing that copies files will find it.
    """
    file = layout.first_line(place / "loop/backing_file")
    if not file.startswith("/") or file.endswith(_DELETED):
        return None
    path = BoardPath(file.encode(errors="surrogateescape"))
    mount = mounts.mount_of(path, all_mounts)
    return mount_device.number(mount) if mount else None
