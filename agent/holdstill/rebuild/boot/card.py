"""A finished card as its board will see it: partitions, their names, and the files in them."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

from holdstill.disks import luks_header, partition_table, volumes_on_disk
from holdstill.errors import HoldstillError
from holdstill.filesystems import probe
from holdstill.filesystems.ext4 import ext4_reader
from holdstill.filesystems.fat import fat_reader
from holdstill.model import paths, system_tables
from holdstill.model.entries import EntryType
from holdstill.model.layout import (
    ARRAY,
    DISK_STEP,
    ArrayMember,
    Container,
    Ext4,
    Fat,
    Luks,
    LvmPv,
    Other,
    Raw,
    Subvolume,
    Swap,
    TableLabel,
    Volume,
)
from holdstill.model.sizes import SECTOR

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.entries import Entry
    from holdstill.model.layout import Disk, FileSystem, Partition
    from holdstill.system.byte_source import OpenFile

SMALL = 1 << 20
"""Bytes of a file of settings."""
LUKS = "crypto_LUKS"
"""What blkid calls an encrypted container."""
LINKS_MAX = 40
"""Symlinks on one path; the kernel follows as many."""


class BootTree(Protocol):
    """The files of a partition. Symlinks are never followed."""

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, or None when there is none."""

    def children(self, path: bytes) -> list[Entry]:
        """Return the entries in a directory, in name order."""

    def read(self, path: bytes, *, limit: int) -> bytes:
        """Return the content of a regular file of at most limit bytes."""


@dataclass(frozen=True)
class BootVolume:
    """One partition.

    Attributes:
        number: as a capture has it: its slot, on the first disk.
        kind: as fstab(5) names it: ext4, vfat, swap; or another detected type, or "".
        node: what the board's kernel called its device; "" for unknown.
        tree: its files, None when they cannot be read.
        first_sector: its first 512 bytes.
        mapped: names of the device of a volume inside a partition.
        remade: of an encrypted container that is made again, as it was; None for any other.
    """

    number: int
    kind: str
    node: str = ""
    uuid: str = ""
    label: str = ""
    partuuid: str = ""
    partlabel: str = ""
    tree: BootTree | None = None
    first_sector: bytes = b""
    mapped: tuple[str, ...] = ()
    remade: Luks | None = None

    @property
    def name(self) -> str:
        """Its name for messages."""
        return self.mapped[0] if self.mapped else f"partition {self.number}"

    def find(self, path: bytes) -> Entry | None:
        """Return the entry at a path, following symlinks inside the partition."""
        real = self.real_path(path)
        return self.tree.find(real) if self.tree and real is not None else None

    def real_path(self, path: bytes) -> bytes | None:
        """Return a path without symlinks; None when it does not exist."""
        if self.tree is None:
            return None
        done, todo = b"", [part for part in path.split(b"/") if part not in {b"", b"."}]
        for _ in range(LINKS_MAX + len(todo) * LINKS_MAX):
            if not todo:
                return done
            name = todo.pop(0)
            if name == b"..":
                done = paths.split(done)[0]
                continue
            entry = self.tree.find(paths.join(done, name))
            if entry is None:
                return None
            if entry.type is EntryType.SYMLINK:
                done = b"" if entry.target.startswith(b"/") else done
                todo = [
                    part for part in entry.target.split(b"/") if part not in {b"", b"."}
                ] + todo
            else:
                done = entry.path
        return None

    def file(self, path: bytes) -> Entry | None:
        """Return a regular file that is not empty, following symlinks."""
        entry = self.find(path)
        return entry if entry and entry.type is EntryType.FILE and entry.size else None

    def read(self, path: bytes, *, limit: int = SMALL) -> bytes | None:
        """Return a file's content, following symlinks; None when there is none or too much."""
        entry = self.file(path)
        if self.tree is None or entry is None or entry.size > limit:
            return None
        return self.tree.read(entry.path, limit=limit)

    def text(self, path: bytes) -> str | None:
        """Return a file of settings."""
        content = self.read(path)
        return None if content is None else content.decode(errors="replace")

    def names(self, directory: bytes) -> list[bytes]:
        """Return the names in a directory, following symlinks to it."""
        real = self.real_path(directory)
        if self.tree is None or real is None:
            return []
        return [entry.name for entry in self.tree.children(real)]


@dataclass(frozen=True)
class BootCard:
    """A card with its partitions, and the bytes before them; or several disks.

    Attributes:
        disk, gap: the first one.
        volumes: of all disks.
        system_at: the partition, and the folder in it, that the system sees as /; None where that
            is not known.
        root_file: which file of a partition the system sees as /, in words; "" for none.
        boot_areas: of the board's eMMC beside its sectors, those that hold anything.
    """

    disk: Disk
    volumes: tuple[BootVolume, ...]
    gap: OpenFile
    system_at: tuple[int, bytes] | None = None
    boot_areas: tuple[str, ...] = ()
    root_file: str = ""

    def volume(self, number: int) -> BootVolume:
        """Return the volume in a slot."""
        return next(volume for volume in self.volumes if volume.number == number)

    def named(self, spec: str) -> list[BootVolume]:
        """Return the partitions that a name in fstab(5) or on a command line refers to."""
        kind, equals, value = system_tables.normal_spec(spec).partition("=")
        if mapped := [volume for volume in self.volumes if spec in volume.mapped]:
            return mapped
        if not equals:
            return self._by_node(spec)
        value = value.strip("\"'")
        match kind:
            case "UUID":
                return [v for v in self.volumes if v.uuid and v.uuid.lower() == value.lower()]
            case "PARTUUID":
                # PARTUUID=id/PARTNROFF=n is n slots further (Linux block/early-lookup.c).
                plain, _, offset = value.lower().partition("/partnroff=")
                found = [v for v in self.volumes if v.partuuid and v.partuuid.lower() == plain]
                if not offset:
                    return found
                steps = int(offset) if re.fullmatch(r"-?\d{1,4}", offset) else 10**6
                numbers = {volume.number + steps for volume in found}
                return [volume for volume in self.volumes if volume.number in numbers]
            case "LABEL":
                return [v for v in self.volumes if v.label and v.label == value]
            case "PARTLABEL":
                return [v for v in self.volumes if v.partlabel and v.partlabel == value]
            case _:
                return []

    def _by_node(self, node: str) -> list[BootVolume]:
        """Return the partition that has the name of a device node, or had it when captured.

        The disk of a node is not known from the disk itself: of one disk, the slot counts.
        """
        slot = system_tables.partition_slot(node)
        partitions = [volume for volume in self.volumes if not volume.mapped]
        slots = {volume.number % DISK_STEP for volume in partitions} if slot else set()
        if slot not in slots:
            return []
        found = [volume for volume in partitions if volume.number % DISK_STEP == slot]
        is_one_disk = all(volume.number < DISK_STEP for volume in self.volumes)
        return found if is_one_disk else [v for v in found if v.node == node]

    def with_disk(self, card: BootCard, place: int) -> BootCard:
        """Return these disks with disk 1, 2, ... as it is on a finished card."""
        disk = card.disk.as_further(place)
        own = zip(disk.areas, card.volumes, strict=True)
        finished = [replace(volume, number=partition.number) for partition, volume in own]
        numbers = {volume.number for volume in finished}
        nodes = {volume.number: volume.node for volume in self.volumes}
        finished = [replace(one, node=nodes.get(one.number, "")) for one in finished]
        others = [volume for volume in self.volumes if volume.number not in numbers]
        volumes = tuple(sorted((*finished, *others), key=lambda volume: volume.number))
        first = (disk, card.gap) if place == 1 else (self.disk, self.gap)
        return replace(self, disk=first[0], volumes=volumes, gap=first[1])


def names_a_partition(spec: str) -> bool:
    """Return whether spec names a disk's partition, not a network, memory or mapped device."""
    kind, equals, _ = system_tables.normal_spec(spec).partition("=")
    return (bool(equals) and kind in system_tables.BY.values()) or system_tables.partition_slot(
        spec
    ) is not None


def read_card(source: OpenFile, *, sector_size: int = SECTOR) -> BootCard:
    """Read the table and recognise every partition.

    Raises:
        LayoutError: there is no table that can be understood.
    """
    table = partition_table.read(source, sector_size=sector_size)
    disk = volumes_on_disk.with_volumes(source, table)
    volumes = tuple(_volumes(source, disk))
    return BootCard(disk, volumes, source)


def _volumes(source: OpenFile, disk: Disk) -> Iterator[BootVolume]:
    for partition in disk.areas:
        window = source.window(
            partition.start * disk.sector_size, partition.size * disk.sector_size
        )
        yield _volume(window, disk, partition)


def _volume(window: OpenFile, disk: Disk, partition: Partition | Volume) -> BootVolume:
    system = probe.probe(window)
    if any(inside.array for inside in disk.volumes_of(partition.number)):
        system = Raw(type=ARRAY)  # what some look like is what is in them
    first_sector = window.read(0, min(512, window.size))
    found = volume_of(disk, partition, system, _tree(window, system), first_sector)
    is_luks = isinstance(system, Raw) and system.type == LUKS
    return replace(found, uuid=luks_header.uuid_in(first_sector)) if is_luks else found


def volume_of(
    disk: Disk,
    partition: Partition | Volume,
    system: FileSystem,
    tree: BootTree | None,
    first_sector: bytes = b"",
) -> BootVolume:
    """Return a partition as its board will see it."""
    kind, uuid, label = _names(system)
    remade = system if isinstance(system, Luks) else None
    if isinstance(partition, Volume):
        return BootVolume(
            partition.number, kind, uuid=uuid, label=label, tree=tree, first_sector=first_sector,
            mapped=partition.nodes, remade=remade,
        )  # fmt: skip
    return BootVolume(
        number=partition.number,
        kind=kind,
        uuid=uuid,
        label=label,
        node=disk.node(partition) if disk.device else "",
        partuuid="" if disk.label is TableLabel.NONE else disk.partuuid(partition.number),
        partlabel=partition.name,
        tree=tree,
        first_sector=first_sector,
        remade=remade,
    )


def _names(system: FileSystem) -> tuple[str, str, str]:
    match system:
        case Ext4():
            return "ext4", system.uuid, system.label
        case Fat():
            return "vfat", system.uuid, system.label
        case Swap():
            return "swap", system.uuid, system.label
        case Other():
            return system.type, system.uuid, system.label
        case Raw():
            return system.type, "", ""
        case LvmPv():
            return "LVM2_member", "", ""
        case ArrayMember():
            return ARRAY, "", ""
        case Luks(uuid=uuid, label=label):
            return LUKS, uuid, label
        case Container() | Subvolume():
            return "", "", ""


def _tree(window: OpenFile, system: FileSystem) -> BootTree | None:
    try:
        if isinstance(system, Ext4):
            return ext4_reader.Ext4Reader(window)
        return fat_reader.FatReader(window) if isinstance(system, Fat) else None
    except HoldstillError:
        return None  # recognised, but too damaged to be read: it has no files for us
