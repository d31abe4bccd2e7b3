"""What LVM says of itself in a physical volume: label, header, and the metadata of its group.

Sources: lvm2, lib/label/label.h and lib/format_text/layout.h.
"""

from __future__ import annotations

import itertools
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.disks import lvm_text
from holdstill.disks.lvm_text import checksum
from holdstill.errors import LayoutError
from holdstill.model.sizes import MIB, SECTOR

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.disks.lvm_text import Section
    from holdstill.system.byte_source import ByteSource

_LABEL = struct.Struct("<8sQII8s")
_AREA = struct.Struct("<QQ")
_HEADER = struct.Struct("<I16sIQQ")
_COPY = struct.Struct("<QQII")
_MAGIC = b" LVM2 x[5A%r0N*>"
_IGNORED = 1
TEXT_MAX = 2 * MIB
"""Bytes of metadata that are looked at; LVM makes an area of 1 MiB, and has two texts in it. As
words in memory they are fifty times as much."""


@dataclass(frozen=True)
class LogicalVolume:
    """A logical volume.

    Attributes:
        uuid: as LVM writes it.
        extents: how many it has.
        obstacle: what it is that we cannot make again, such as "thin"; "" for nothing.
        was: how it is laid out if not in one piece.
        first: the extent that it begins at, if it is in one piece; else -1.
        physical: what the metadata calls the physical volume that all of it is on; "" for several.
    """

    name: str
    uuid: str
    extents: int
    obstacle: str = ""
    was: str = ""
    first: int = -1
    physical: str = ""


@dataclass(frozen=True)
class PhysicalVolume:
    """A physical volume and its group.

    Attributes:
        name: what the metadata calls it.
        volumes: of the whole group.
        first_extent, extent_size: bytes.
        members: physical volumes of the group.
    """

    uuid: str
    group: str
    group_uuid: str
    first_extent: int
    extent_size: int
    members: int
    volumes: tuple[LogicalVolume, ...]
    name: str = ""

    @property
    def own(self) -> tuple[LogicalVolume, ...]:
        """The logical volumes that are on this physical volume alone."""
        return tuple(one for one in self.volumes if one.physical == self.name)

    @property
    def spanning(self) -> tuple[LogicalVolume, ...]:
        """The logical volumes that are on several."""
        return tuple(one for one in self.volumes if not one.physical)


def read(source: ByteSource) -> PhysicalVolume:
    """Read a physical volume.

    Raises:
        LayoutError: it is none, is in no group, has no metadata of its own, or a damaged one.
    """
    header = _label(source)
    uuid = _dashed(header[:32].decode("ascii", "replace"))
    for offset, size in _metadata_areas(header[40:]):
        section = _metadata(source, offset, size)
        if section is not None:
            return _described(uuid, section)
    raise LayoutError("this LVM partition has no metadata of its own, or is in no volume group")


def _label(source: ByteSource) -> bytes:
    """Return what follows the label, in one of the first four sectors."""
    for sector in range(4):
        raw = source.read(sector * SECTOR, SECTOR) if source.size >= (sector + 1) * SECTOR else b""
        if raw[:8] != b"LABELONE":
            continue
        _, own, crc, offset, kind = _LABEL.unpack_from(raw)
        is_sound = own == sector and crc == checksum(raw[20:])
        if kind == b"LVM2 001" and is_sound and offset <= SECTOR - 40:
            return raw[offset:]
    raise LayoutError("LVM's label is damaged, or not there")


def _metadata_areas(raw: bytes) -> Iterator[tuple[int, int]]:
    """Yield offset and size of the metadata areas, which are listed behind the data areas."""
    areas = [_AREA.unpack_from(raw, at) for at in range(0, len(raw) - 15, 16)]
    ends = [number for number, area in enumerate(areas) if area[0] == 0]
    if len(ends) > 1:
        yield from areas[ends[0] + 1 : ends[1]]


def _metadata(source: ByteSource, start: int, size: int) -> Section | None:
    """Read the newest copy of the metadata in an area; None where there is none yet."""
    if size < 2 * SECTOR or start + size > source.size:
        return None
    head = source.read(start, SECTOR)
    crc, magic, version, _, _ = _HEADER.unpack_from(head)
    if magic != _MAGIC or version != 1 or crc != checksum(head[4:]):
        raise LayoutError("the header of LVM's metadata is damaged")
    offset, length, text_crc, flags = _COPY.unpack_from(head, _HEADER.size)
    if not offset or not length or flags & _IGNORED:
        return None
    if not SECTOR <= offset < size or length > min(size - SECTOR, TEXT_MAX):
        raise LayoutError("LVM's metadata is where none can be")
    # The area is a ring behind its header.
    first = min(length, size - offset)
    text = source.read(start + offset, first) + source.read(start + SECTOR, length - first)
    if checksum(text) != text_crc:
        raise LayoutError("LVM's metadata is damaged: its checksum is wrong")
    return lvm_text.parse(text.rstrip(b"\0").decode("utf-8", "replace"))


def _described(uuid: str, metadata: Section) -> PhysicalVolume:
    groups = [(name, one) for name, one in metadata.items() if isinstance(one, dict)]
    if len(groups) != 1:
        raise LayoutError("LVM's metadata describes no volume group")
    name, group = groups[0]
    physical = _sections(group, "physical_volumes")
    own = [(key, one) for key, one in physical.items() if _text(one, "id") == uuid]
    if not own:
        raise LayoutError(f"LVM's metadata of {name} does not know the partition that it is on")
    logical = _sections(group, "logical_volumes")
    return PhysicalVolume(
        uuid=uuid,
        group=name,
        group_uuid=_text(group, "id"),
        name=own[0][0],
        first_extent=_number(own[0][1], "pe_start") * SECTOR,
        extent_size=_number(group, "extent_size") * SECTOR,
        members=len(physical),
        volumes=tuple(described_volume(key, one) for key, one in logical.items()),
    )


def described_volume(name: str, section: Section) -> LogicalVolume:
    """Return what a section of the metadata says of a logical volume."""
    numbered = (one for key, one in section.items() if key.startswith("segment"))
    segments = [one for one in numbered if isinstance(one, dict)]
    kinds = {_text(one, "type") for one in segments}
    counts = (_number(one, "stripe_count") for one in segments if "stripe_count" in one)
    stripes = max(counts, default=1)
    flags = section.get("status")
    is_hidden = not isinstance(flags, list) or "VISIBLE" not in flags
    others = sorted(kinds - {"striped"}) or (["a part of another one"] if is_hidden else [])
    pieces = f"in {len(segments)} pieces" if len(segments) > 1 else ""
    return LogicalVolume(
        name=name,
        uuid=_text(section, "id"),
        extents=sum(_number(one, "extent_count") for one in segments),
        obstacle=", ".join(others),
        was=f"striped over {stripes}" if stripes > 1 else pieces,
        first=_first(segments) if len(segments) == 1 and not others and stripes == 1 else -1,
        physical=_physical(segments),
    )


def _physical(segments: list[Section]) -> str:
    """Return the physical volume that all segments are on; "" for several, or none."""
    places = (one.get("stripes") for one in segments)
    names = {name for place in places if isinstance(place, list) for name in place[::2]}
    return str(names.pop()) if len(names) == 1 else ""


def _first(segments: list[Section]) -> int:
    place = segments[0].get("stripes")
    is_known = isinstance(place, list) and len(place) > 1 and isinstance(place[1], int)
    return place[1] if is_known else -1  # type: ignore[index,return-value]


def _sections(section: Section, name: str) -> dict[str, Section]:
    inner = section.get(name, {})
    if not isinstance(inner, dict):
        raise LayoutError(f"LVM's metadata has no section {name}")
    return {key: one for key, one in inner.items() if isinstance(one, dict)}


def _number(section: Section, name: str) -> int:
    value = section.get(name)
    if not isinstance(value, int) or not 0 <= value < 1 << 53:
        raise LayoutError(f"LVM's metadata has no number {name}")
    return value


def _text(section: Section, name: str) -> str:
    value = section.get(name)
    if not isinstance(value, str):
        raise LayoutError(f"LVM's metadata has no text {name}")
    return value


def _dashed(uuid: str) -> str:
    """Write an id as LVM shows it: in groups of 6, 4, 4, 4, 4, 4 and 6 characters."""
    ends = (0, 6, 10, 14, 18, 22, 26, 32)
    return "-".join(uuid[a:b] for a, b in itertools.pairwise(ends))
