"""New ids for a sibling: of its disk, partitions and file systems, and the machine itself."""

from __future__ import annotations

import re
import uuid
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from holdstill.model.layout import Ext4, Fat, Other, Raw, Swap, TableLabel
from holdstill.model.names import check_board

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from holdstill.model.layout import Disk, FileSystem, Partition
    from holdstill.model.manifest import Manifest

    Draw = Callable[[int], bytes]

_MACHINE_ID = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True)
class IdentityChange:
    """One difference between a sibling and the board it was made from."""

    where: str
    what: str
    old: str = ""
    new: str = ""

    def __str__(self) -> str:
        if self.old or self.new:
            return f"{self.where}: {self.what} {self.old or '(none)'} -> {self.new or '(none)'}"
        return f"{self.where}: {self.what}"


@dataclass(frozen=True)
class NewIdentity:
    """What a sibling is called, by people and by programs.

    Attributes:
        manifest: the capture's, with the sibling's ids; the digests are those of the capture.
        ids: PARTUUIDs and UUIDs of the board and what they become.
        changes: for people.
        devices: names of device nodes, and what is written in their place.
    """

    manifest: Manifest
    ids: dict[str, str]
    changes: tuple[IdentityChange, ...]
    devices: Mapping[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The sibling's name."""
        return self.manifest.board.name


def invent(manifest: Manifest, name: str, draw: Draw) -> NewIdentity:
    """Give a sibling new ids; draw(n) returns n random bytes.

    Raises:
        UsageError: the name cannot be a board's.
    """
    check_board(name)
    disk = _disk(manifest.disk, draw)
    parts = tuple(
        msgspec.structs.replace(part, file_system=_file_system(part.file_system, draw))
        for part in manifest.parts
    )
    swaps = tuple(
        msgspec.structs.replace(swap, uuid=_uuid(draw)) if swap.uuid else swap
        for swap in manifest.swap_files
    )
    # A new id in the form of machine-id(5); a board without one keeps none.
    has_one = _MACHINE_ID.fullmatch(manifest.board.machine_id) is not None
    machine_id = uuid.UUID(bytes=draw(16), version=4).hex if has_one else manifest.board.machine_id
    board = msgspec.structs.replace(
        manifest.board, name=name, hostname=name, machine_id=machine_id
    )
    sibling = msgspec.structs.replace(
        manifest, disk=disk, parts=parts, swap_files=swaps, board=board
    )
    pairs = {
        _partuuid(manifest.disk, before): _partuuid(sibling.disk, after)
        for before, after in zip(manifest.disk.partitions, sibling.disk.partitions, strict=True)
    }
    for part, now in zip(manifest.parts, sibling.parts, strict=True):
        pairs[_uuid_of(part.file_system)] = _uuid_of(now.file_system)
    for swap, made in zip(manifest.swap_files, sibling.swap_files, strict=True):
        pairs[swap.uuid] = made.uuid
    ids = {before: after for before, after in pairs.items() if before and before != after}
    return NewIdentity(sibling, ids, tuple(_changes(manifest, sibling)))


def _uuid(draw: Draw) -> str:
    return str(uuid.UUID(bytes=draw(16), version=4))


def _number(draw: Draw) -> int:
    """Return a 32-bit id that is not 0: 0 means that there is none."""
    while (number := int.from_bytes(draw(4), "little")) == 0:
        pass
    return number


def _disk(disk: Disk, draw: Draw) -> Disk:
    if disk.label is TableLabel.NONE:
        return disk
    if disk.label is TableLabel.DOS:
        return msgspec.structs.replace(disk, id=f"0x{_number(draw):08x}")
    partitions = tuple(
        msgspec.structs.replace(part, uuid=_uuid(draw).upper()) for part in disk.partitions
    )
    return msgspec.structs.replace(disk, id=_uuid(draw).upper(), partitions=partitions)


def _file_system(system: FileSystem, draw: Draw) -> FileSystem:
    match system:
        case Fat():
            return msgspec.structs.replace(system, volume_id=_number(draw))
        case Ext4() | Swap():
            return msgspec.structs.replace(system, uuid=_uuid(draw))
        case Other() if system.uuid:
            return msgspec.structs.replace(system, uuid=_uuid(draw))
        case _:
            return system


def _uuid_of(system: FileSystem) -> str:
    match system:
        case Ext4() | Fat() | Swap() | Other():
            return system.uuid
        case _:
            return ""


def _partuuid(disk: Disk, partition: Partition) -> str:
    return "" if disk.label is TableLabel.NONE else disk.partuuid(partition.number)


def _changes(old: Manifest, new: Manifest) -> list[IdentityChange]:
    changes = [IdentityChange("disk", "id", old.disk.id, new.disk.id)] if new.disk.id else []
    for before, after in zip(old.disk.partitions, new.disk.partitions, strict=True):
        if before.uuid != after.uuid:
            where = f"partition {after.number}"
            changes.append(IdentityChange(where, "GUID", before.uuid, after.uuid))
    for part, now in zip(old.parts, new.parts, strict=True):
        where, one, other = f"partition {part.number}", part.file_system, now.file_system
        if isinstance(one, Raw):
            changes.append(IdentityChange(where, "is copied as it is, with every id inside it"))
        elif _uuid_of(one) != _uuid_of(other):
            changes.append(IdentityChange(where, "UUID", _uuid_of(one), _uuid_of(other)))
    changes += [
        IdentityChange(made.path, "UUID of the swap file", swap.uuid, made.uuid)
        for swap, made in zip(old.swap_files, new.swap_files, strict=True)
        if swap.uuid != made.uuid
    ]
    return changes
