"""The block devices of this machine, as /sys describes them; only loop devices are asked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import arrays, layout, loop_files
from holdstill.board.board_facts import BlockDevice

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.board_facts import Number
    from holdstill.board.mounts import Mount


def read_block_devices(
    all_mounts: tuple[Mount, ...], *, sys: Path = layout.SYS, dev: Path = loop_files.DEV
) -> tuple[BlockDevice, ...]:
    """Describe every block device; one that goes away meanwhile is left out."""
    return tuple(_each(all_mounts, sys, dev))


def _each(all_mounts: tuple[Mount, ...], sys: Path, dev: Path) -> Iterator[BlockDevice]:
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
            file=loop_files.read(whole, all_mounts, dev=dev),
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
    """Return what kind of mapping a device is: by a dm device's UUID, or by what md says."""
    if (place / "dm").is_dir():
        uuid = layout.first_line(place / "dm/uuid")
        return "LUKS" if uuid.startswith("CRYPT-LUKS") else uuid.partition("-")[0] or "mapping"
    if arrays.is_mirror(place):
        return "mirror"
    return next((kind for kind in ("md", "bcache") if (place / kind).is_dir()), "")
