"""Volumes inside partitions: what LVM divides, and what encrypted containers and mirrors hold.

At any depth. What a partition holds is found by its own metadata, and which device shows it by
what the kernel says of device-mapper's devices (/sys/block/dm-*/dm/uuid), and of what holds a
partition; no program is asked. A mirror's content is a volume in the first of its members.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import arrays, layout
from holdstill.disks import luks_header, lvm_reader, md_superblock
from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model.layout import ARRAY, DISK_STEP, VOLUME_BASE, Luks, LvmPv, Raw, Volume
from holdstill.model.sizes import KIB
from holdstill.system import byte_source, ioctl

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
    from holdstill.board.mounts import Mount
    from holdstill.disks.lvm_reader import PhysicalVolume
    from holdstill.model.paths import BoardPath

LUKS, LVM = "crypto_LUKS", "LVM2_member"
"""What blkid, and we, call a partition that holds such."""
DEV = Path("/dev")
_GRAIN = 4 * KIB
_BEHIND = 12 * KIB
"""Bytes that a superblock at the end may need behind an array's content: it is at a whole 4 KiB,
8 KiB before the end at least (Linux drivers/md/md.c, super_1_load)."""


def with_volumes(
    board: BoardLayout,
    root: BoardPath,
    mine: Sequence[Mount],
    *,
    sys: Path = layout.SYS,
    dev: Path = DEV,
) -> BoardLayout:
    """Return a layout in which each volume inside a partition is a part of its own.

    What cannot be captured by its volumes has an obstacle, and keeps its kind.

    Args:
        board: with partitions only.
        root: where the board's root is mounted on this system.
        mine: what is mounted below it.
        sys: where sysfs is.
        dev: where device nodes are.
    """
    mapped = _mapped(sys)
    groups, members, arrays_found = set[str](), dict[str, int](), dict[str, int]()
    disks, parts = list[layout.BoardDisk](), list[layout.BoardPart]()
    for place, disk in enumerate(board.disks):
        first = DISK_STEP * place + VOLUME_BASE + 1
        reader = _Reader(
            disk, root, mine, (sys, dev), mapped, groups, members, board.devices, next_number=first
        )
        for part in board.parts:
            if disk.has(part.number):
                parts += reader.read(part)
        volumes = tuple(reader.volumes)
        described = msgspec.structs.replace(disk.layout, volumes=volumes)
        disks.append(replace(disk, layout=described))
        arrays_found |= {volume.uuid: volume.of for volume in volumes if volume.array}
    known = tuple(_left_behind(part, arrays_found) for part in parts)
    return replace(board, disks=tuple(disks), parts=known)


def _left_behind(part: BoardPart, arrays_found: Mapping[str, int]) -> BoardPart:
    """Return a part; as one of a captured mirror's if it was that, and has what that held then.

    The array has given it up. As a file system of its own it would have the same UUID as the
    mirror's content, and nobody could tell which is mounted.
    """
    if not arrays_found or part.holders or part.mount is not None or part.obstacle:
        return part
    try:
        with byte_source.opened(part.device) as source:
            uuid = md_superblock.read(source).member.uuid
    except (LayoutError, OSError):
        return part
    first = arrays_found.get(uuid, 0)
    if first in {0, part.number}:
        return part
    return replace(part, file_system=Raw(type=ARRAY, size=part.size), twin=first)


def _mapped(sys: Path) -> dict[str, Path]:
    """Return device-mapper's devices by their ids; of a container's the name is left out."""
    found = {}
    for home in sorted((sys / "block").glob("dm-*")):
        uuid = layout.first_line(home / "dm/uuid")
        is_container = uuid.startswith("CRYPT-LUKS")
        key = "-".join(uuid.split("-")[:3]) if is_container else uuid
        found[key] = home
    return found


@dataclass
class _Reader:
    """Finds the volumes of one disk.

    Attributes:
        places: of sysfs, and of device nodes.
        groups: volume groups that were found on the way, by their ids: each is described once.
        members: of arrays that were found on the way, the one with which each is described.
        disks: that are captured as such.
    """

    disk: BoardDisk
    root: BoardPath
    mine: Sequence[Mount]
    places: tuple[Path, Path]
    mapped: dict[str, Path]
    groups: set[str]
    members: dict[str, int]
    disks: tuple[Path, ...]
    next_number: int
    volumes: list[Volume] = field(default_factory=list)

    def read(self, part: BoardPart) -> Iterator[BoardPart]:
        """Yield a part, and all volumes in it."""
        array = arrays.of_member(part.holders, sys=self.places[0])
        if array is not None:
            yield from self._member(part, array)
            return
        kind = part.file_system.type if isinstance(part.file_system, Raw) else ""
        if kind not in {LUKS, LVM} or not part.holders or not part.device.is_block_device():
            yield part
            return
        try:
            with byte_source.opened(part.device) as source:
                yield from (
                    self._luks(part, luks_header.read(source))
                    if kind == LUKS
                    else (self._lvm(part, lvm_reader.read(source)))
                )
        except LayoutError as error:
            yield replace(part, obstacle=str(error))

    def _member(self, part: BoardPart, home: Path) -> Iterator[BoardPart]:
        """Yield a member of an array that runs; with the first one what the array holds."""
        kept = replace(part, file_system=Raw(type=ARRAY, size=part.size))
        first = self.members.setdefault(home.name, part.number)
        if first != part.number and arrays.is_mirror(home):
            yield replace(kept, twin=first)
            return
        try:
            with byte_source.opened(part.device) as source:
                with suppress(OSError):  # md writes past what the kernel has kept of the device
                    ioctl.drop_device_cache(source.handle)
                names = [disk.name for disk in self.disks]
                found = arrays.member(source, home, disks=names)
        except LayoutError as error:
            self.members.pop(home.name)
            yield replace(kept, obstacle=str(error))
            return
        step = self.disk.layout.sector_size
        volume = self._added(
            Volume(
                number=self.next_number,
                of=part.number,
                name=found.member.name,
                array=home.name,
                uuid=found.member.uuid,
                start=(part.offset + found.member.first_byte) // step,
                size=_size(home) // step,
                grain=max(_GRAIN // step, 1),
                behind=_BEHIND // step if found.member.version == "1.0" else 0,
            )
        )
        yield replace(part, file_system=found.member)
        yield from self._inside(volume, home)

    def _luks(self, part: BoardPart, luks: Luks) -> Iterator[BoardPart]:
        key = f"CRYPT-LUKS{luks.version}-{luks.uuid.replace('-', '')}"
        home = self.mapped.get(key)
        if home is None or part.holders != (home.name,):
            raise LayoutError(
                f"it is in use as {', '.join(part.holders)}, which is not the opened container"
            )
        step = self.disk.layout.sector_size
        start = part.offset // step + luks.first_byte // step
        name = layout.first_line(home / "dm/name")
        size = _size(home) // step
        volume = self._added(
            Volume(number=self.next_number, of=part.number, name=name, start=start, size=size)
        )
        yield replace(part, file_system=luks)
        yield from self._inside(volume, home)

    def _lvm(self, part: BoardPart, found: PhysicalVolume) -> Iterator[BoardPart]:
        odd = [f"{one.name} ({one.obstacle})" for one in found.volumes if one.obstacle]
        if odd:
            raise LayoutError(
                f"the volume group {found.group} has logical volumes of kinds that cannot be made "
                f"again: {', '.join(odd)}"
            )
        yield replace(
            part,
            file_system=LvmPv(
                uuid=found.uuid,
                group=found.group,
                group_uuid=found.group_uuid,
                extent_size=found.extent_size,
                first_extent=found.first_extent,
                members=found.members,
                spanning=tuple(one.name for one in found.spanning),
            ),
        )
        # What is on several physical volumes is listed with the first one that is found.
        spanning = found.spanning if found.group_uuid not in self.groups else ()
        self.groups.add(found.group_uuid)
        step = self.disk.layout.sector_size
        start, grain = (part.offset + found.first_extent) // step, found.extent_size // step
        for one in (*found.own, *spanning):
            volume = self._added(
                Volume(
                    number=self.next_number,
                    of=part.number,
                    name=one.name,
                    group=found.group,
                    uuid=one.uuid,
                    start=start,
                    size=one.extents * grain,
                    grain=grain,
                    was=one.was,
                )
            )
            start += volume.size
            home = self.mapped.get(_lvm_key(found.group_uuid, one.uuid))
            if home is None:
                yield self._inactive(volume)
            else:
                yield from self._inside(volume, home)

    def _added(self, volume: Volume) -> Volume:
        self.next_number += 1
        self.volumes.append(volume)
        return volume

    def _inactive(self, volume: Volume) -> BoardPart:
        step = self.disk.layout.sector_size
        size, name = volume.size * step, f"{volume.group}/{volume.name}"
        return layout.BoardPart(
            volume.number, Path(f"/dev/{name}"), volume.start * step, size,
            Raw(size=size),
            obstacle=f"the logical volume {name} is not active: `lvchange -ay {name}` makes it so",
        )  # fmt: skip

    def _inside(self, volume: Volume, home: Path) -> Iterator[BoardPart]:
        """Yield what a volume holds, and the volumes in that."""
        device = _node(home, self.places[1])
        step = self.disk.layout.sector_size
        with byte_source.opened(device) as source:
            holds = probe.probe(source)
        mount = layout.mount_from(device, self.mine, self.root)
        part = layout.BoardPart(
            number=volume.number,
            device=device,
            offset=volume.start * step,
            size=volume.size * step,
            file_system=holds,
            mount=mount,
            place=layout.place_of(mount, self.root) if mount else "",
            holders=layout.holders_of(home.name, sys=self.places[0]),
        )
        yield from self.read(part)


def _lvm_key(group: str, volume: str) -> str:
    return f"LVM-{group.replace('-', '')}{volume.replace('-', '')}"


def _size(home: Path) -> int:
    """Return a device's bytes; /sys counts in 512."""
    return int(layout.first_line(home / "size") or 0) * 512


def _node(home: Path, dev: Path) -> Path:
    """Return the node of a mapping, by its name if udev has made that; or of an array."""
    if not (home / "dm").is_dir():
        return dev / home.name
    named = dev / "mapper" / layout.first_line(home / "dm/name")
    return named if named.is_block_device() else dev / home.name
