"""Volumes inside partitions: what LVM divides, and what encrypted containers hold, at any depth.

What a partition holds is found by its own metadata, and which device shows it by what the kernel
says of device-mapper's devices (/sys/block/dm-*/dm/uuid); no program is asked.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import layout
from holdstill.disks import luks_header, lvm_reader
from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model.layout import DISK_STEP, VOLUME_BASE, Luks, LvmPv, Raw, Volume
from holdstill.system import byte_source

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
    from holdstill.board.mounts import Mount
    from holdstill.disks.lvm_reader import PhysicalVolume
    from holdstill.model.paths import BoardPath

LUKS, LVM = "crypto_LUKS", "LVM2_member"
"""What blkid, and we, call a partition that holds such."""
DEV = Path("/dev")


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
    groups = set[str]()
    disks, parts = list[layout.BoardDisk](), list[layout.BoardPart]()
    for place, disk in enumerate(board.disks):
        first = DISK_STEP * place + VOLUME_BASE + 1
        reader = _Reader(disk, root, mine, (sys, dev), mapped, groups, next_number=first)
        for part in board.parts:
            if disk.has(part.number):
                parts += reader.read(part)
        volumes = tuple(reader.volumes)
        described = msgspec.structs.replace(disk.layout, volumes=volumes)
        disks.append(replace(disk, layout=described))
    return replace(board, disks=tuple(disks), parts=tuple(parts))


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
    """

    disk: BoardDisk
    root: BoardPath
    mine: Sequence[Mount]
    places: tuple[Path, Path]
    mapped: dict[str, Path]
    groups: set[str]
    next_number: int
    volumes: list[Volume] = field(default_factory=list)

    def read(self, part: BoardPart) -> Iterator[BoardPart]:
        """Yield a part, and all volumes in it."""
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
    """Return the node of a mapping, by its name if udev has made that."""
    named = dev / "mapper" / layout.first_line(home / "dm/name")
    return named if named.is_block_device() else dev / home.name
