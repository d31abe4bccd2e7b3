"""Writes what LVM says of itself: label, header, and the metadata of a volume group.

No program and no device-mapper is needed, so a group of the same name that is active on this
machine is never touched. Sources: lvm2, lib/label/label.h, lib/format_text/layout.h.
"""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING, Protocol

from holdstill.disks import lvm_text
from holdstill.errors import LayoutError
from holdstill.model.sizes import SECTOR
from holdstill.system import files, sparse_copy

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.disks.lvm_text import Section
    from holdstill.model.layout import LvmPv

_METADATA_START = 4096
_HEADER_MAGIC = b" LVM2 x[5A%r0N*>"
_USED = 1
"""Of the header's extension: the volume is in a group."""


class Volume(Protocol):
    """A logical volume in one piece; places in extents."""

    @property
    def name(self) -> str:
        """Its name."""

    @property
    def uuid(self) -> str:
        """Its id, with dashes."""

    @property
    def first(self) -> int:
        """The extent that it begins at."""

    @property
    def extents(self) -> int:
        """How many it has."""

    @property
    def physical(self) -> str:
        """The id of the physical volume that it is on."""


class Physical(Protocol):
    """A physical volume of the group; bytes."""

    @property
    def uuid(self) -> str:
        """Its id, with dashes."""

    @property
    def size(self) -> int:
        """Of all of it."""

    @property
    def first_extent(self) -> int:
        """Where the first extent begins."""


def write(
    path: Path,
    *,
    offset: int,
    size: int,
    parameters: LvmPv,
    members: Sequence[Physical],
    volumes: Sequence[Volume],
) -> None:
    """Write everything before the first extent; what is behind it is left alone.

    Args:
        path: of the card or image.
        offset: bytes from its start at which the partition begins.
        size: bytes that the partition has.
        parameters: names and ids.
        members: the physical volumes of the group, this one among them, in the same order in all.
        volumes: of the group.

    Raises:
        LayoutError: there is no room for the metadata.
    """
    text = _text(parameters, members, volumes).encode() + b"\0"
    room = parameters.first_extent - _METADATA_START
    if room < SECTOR + 2 * len(text):
        raise LayoutError(
            f"the volume group {parameters.group} leaves {room} bytes for LVM's metadata, which "
            f"needs {SECTOR + 2 * len(text)}",
            hint="files can be taken out with `holdstill get`",
        )
    head = bytearray(_METADATA_START)
    head[SECTOR : 2 * SECTOR] = _label(parameters, size, room)
    data = bytes(head) + _metadata_header(text, room) + text
    with files.opened(path, os.O_RDWR | os.O_NOFOLLOW) as handle:
        sparse_copy.write_all_at(handle, offset, data.ljust(parameters.first_extent, b"\0"))


def _label(parameters: LvmPv, size: int, room: int) -> bytes:
    """Return sector 1: the label, and the header with the areas behind it."""
    areas = (
        *(parameters.first_extent, 0, 0, 0),  # data, and the end of that list
        *(_METADATA_START, room, 0, 0),  # metadata, and the end of that list
    )
    header = parameters.uuid.replace("-", "").encode() + struct.pack("<Q8Q", size, *areas)
    header += struct.pack("<IIQQ", 2, _USED, 0, 0)
    rest = (struct.pack("<I8s", 32, b"LVM2 001") + header).ljust(SECTOR - 20, b"\0")
    return struct.pack("<8sQI", b"LABELONE", 1, lvm_text.checksum(rest)) + rest


def _metadata_header(text: bytes, room: int) -> bytes:
    copy = struct.pack("<QQII", SECTOR, len(text), lvm_text.checksum(text), 0)
    rest = struct.pack("<16sIQQ", _HEADER_MAGIC, 1, _METADATA_START, room) + copy
    rest = rest.ljust(SECTOR - 4, b"\0")
    return struct.pack("<I", lvm_text.checksum(rest)) + rest


def _text(parameters: LvmPv, members: Sequence[Physical], volumes: Sequence[Volume]) -> str:
    names = {member.uuid: f"pv{number}" for number, member in enumerate(members)}
    physical = {names[one.uuid]: _physical(one, parameters.extent_size) for one in members}
    group: Section = {
        "id": parameters.group_uuid,
        "seqno": 1,
        "format": "lvm2",
        "status": ["RESIZEABLE", "READ", "WRITE"],
        "flags": [],
        "extent_size": parameters.extent_size // SECTOR,
        "max_lv": 0,
        "max_pv": 0,
        "metadata_copies": 0,
        "physical_volumes": {**physical},
        "logical_volumes": {one.name: _logical(one, names[one.physical]) for one in volumes},
    }
    whole: Section = {
        parameters.group: group,
        "contents": "Text Format Volume Group",
        "version": 1,
        "description": "made again by holdstill",
        "creation_host": "holdstill",
        "creation_time": 0,
    }
    return lvm_text.rendered(whole) + "\n"


def _physical(member: Physical, extent_size: int) -> Section:
    return {
        "id": member.uuid,
        "device": "unknown",
        "status": ["ALLOCATABLE"],
        "flags": [],
        "dev_size": member.size // SECTOR,
        "pe_start": member.first_extent // SECTOR,
        "pe_count": (member.size - member.first_extent) // extent_size,
    }


def _logical(volume: Volume, physical: str) -> Section:
    return {
        "id": volume.uuid,
        "status": ["READ", "WRITE", "VISIBLE"],
        "flags": [],
        "segment_count": 1,
        "segment1": {
            "start_extent": 0,
            "extent_count": volume.extents,
            "type": "striped",
            "stripe_count": 1,
            "stripes": [physical, volume.first],
        },
    }
