"""A capture of several disks, seen as that of one: one of them, or all put onto one. Pure."""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from msgspec import structs

from holdstill.errors import TargetRefusedError, UsageError
from holdstill.model import tree_views
from holdstill.model.attachment_names import area_of, raw_name
from holdstill.model.layout import PRIMARIES, Container, Partition, TableLabel
from holdstill.model.sizes import MIB, align_up, human
from holdstill.rebuild import partition_layout
from holdstill.rebuild.partition_layout import GPT_ENTRIES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.model.layout import Disk, Volume
    from holdstill.model.manifest import CapturedPart, Manifest

_FIRST = 2048
_STEP = 4 * MIB
_EACH_ALONE = "write each disk to a target of its own: --disk 1, --disk 2, ..."
_LINUX, _LINUX_GUID = "83", "0FC63DAF-8483-4772-8E79-3D69D8477DE4"
_TYPES = {
    _LINUX: _LINUX_GUID,
    "82": "0657FD6D-A4AB-43C4-84E5-0933C84B4F4F",
    "8e": "E6D6D379-F507-44C2-A23C-238F2A3DF928",
    "fd": "A19D880F-05FC-4D3B-A006-743F0F84911E",
    "c": "EBD0A0A2-B9E5-4433-87C0-68B6B72699C7",
    "ef": "C12A7328-F81F-11D2-BA4B-00A0C93EC93B",
}
"""What a partition of one kind of table is in the other: Linux, swap, LVM, RAID, FAT, EFI system
(UEFI Specification 2.10, 5.3.3; UAPI.2 Discoverable Partitions Specification; util-linux,
include/pt-mbr-partnames.h and pt-gpt-partnames.h)."""


@dataclass(frozen=True)
class OneDisk:
    """A capture as that of one disk.

    Attributes:
        manifest: for the planner and the writers.
        ids: names of partitions, and what they become.
        devices: names of device nodes, and what is written in their place.
        notes: what is not as on the captured disks, for people.
    """

    manifest: Manifest
    ids: Mapping[str, str]
    devices: Mapping[str, str]
    notes: tuple[str, ...] = ()


def described(manifest: Manifest) -> Iterator[str]:
    """Yield what each disk of a capture is, in words."""
    for place, disk in enumerate(manifest.disks, start=1):
        mounts = tree_views.words([v for part in _parts_of(manifest, disk) for v in part.seen])
        words = [human(disk.size), disk.device, disk.model, f"with {mounts}" if mounts else ""]
        yield f"disk {place} ({', '.join(filter(None, words))})"


def check(manifest: Manifest, place: int | Literal["all"] | None) -> None:
    """Check that of several disks one is named, or all of them.

    Raises:
        UsageError: none is, or one that the capture does not have.
    """
    if place is None and len(manifest.disks) > 1:
        raise UsageError(
            f"this capture has {len(manifest.disks)} disks: {'; '.join(described(manifest))}",
            hint="name the one that this target is for (--disk 1, --disk 2, ...), or put all of "
            "them onto one larger disk (--disk all)",
        )
    if isinstance(place, int) and not 1 <= place <= len(manifest.disks):
        raise UsageError(
            f"this capture has no disk {place}", hint=f"it has {'; '.join(described(manifest))}"
        )


def only(manifest: Manifest, place: int) -> Manifest:
    """Return a capture as that of its disk 1, 2, ..."""
    disk = manifest.disks[place - 1]
    numbers = {part.number for part in _parts_of(manifest, disk)}
    raws = set(map(raw_name, numbers))
    root_file = manifest.root_file
    return structs.replace(
        manifest,
        disk=disk,
        gap=manifest.gaps_by_disk[place - 1],
        boot_areas=manifest.boot_areas_by_disk[place - 1],
        further_disks=(),
        parts=_parts_of(manifest, disk),
        root_file=root_file if root_file and root_file.partition in numbers else None,
        swap_files=tuple(file for file in manifest.swap_files if file.partition in numbers),
        raws=tuple(raw for raw in manifest.raws if raw.name in raws),
    )


def _parts_of(manifest: Manifest, disk: Disk) -> tuple[CapturedPart, ...]:
    numbers = {area.number for area in disk.areas}
    return tuple(part for part in manifest.parts if part.partition in numbers)


def merged(manifest: Manifest) -> OneDisk:
    """Put the partitions of all disks onto the first one, behind its own.

    UUIDs, labels and the PARTUUIDs of a GPT stay; where a partition's PARTUUID cannot, it is among
    the ids.

    Raises:
        TargetRefusedError: its table has no room for them, or they cannot be on one disk.
    """
    first, *others = manifest.disks
    _check(first, others)
    dropped = {
        part.number
        for part in manifest.parts
        if isinstance(part.file_system, Container) and not _has(first, part.number)
    }
    moved = [
        (disk, partition)
        for disk in others
        for partition in sorted(disk.partitions, key=lambda one: one.start)
        if partition.number not in dropped
    ]
    slots = _free_slots(first, len(moved))
    partitions, volumes = list(first.partitions), list(first.volumes)
    end = max((part.end for part in partitions), default=first.first_lba or _FIRST)
    for slot, (disk, partition) in zip(slots, moved, strict=True):
        start = align_up(end, _STEP // first.sector_size)
        partitions.append(_placed(first, disk, partition, slot=slot, start=start))
        volumes += _moved_volumes(disk, partition, start - partition.start)
        end = start + partition.size
    all_in = structs.replace(first, partitions=tuple(partitions), volumes=tuple(volumes))
    disk = sized(all_in, end)
    ids, devices = {}, {}
    for old, partition in moved:
        now, was = disk.partuuid(partition.number), _partuuid(old, partition)
        if was and was != now:
            ids[was] = now
        if old.device.startswith("/dev/"):
            devices[old.node(partition)] = f"PARTUUID={now}"
        if partition.name and first.label is TableLabel.DOS:  # which has no names
            devices[f"PARTLABEL={partition.name}"] = f"PARTUUID={now}"
            devices[f"/dev/disk/by-partlabel/{partition.name}"] = f"/dev/disk/by-partuuid/{now}"
    return OneDisk(
        structs.replace(
            manifest,
            disk=disk,
            further_disks=(),
            parts=tuple(part for part in manifest.parts if part.number not in dropped),
        ),
        ids,
        devices,
        tuple(_notes(manifest, disk)),
    )


def _moved_volumes(disk: Disk, partition: Partition, way: int) -> Iterator[Volume]:
    """Yield the volumes in a partition that is moved by so many sectors."""
    for volume in disk.volumes:
        if disk.partition_below(volume.number) == partition:
            yield structs.replace(volume, start=volume.start + way)


def _check(first: Disk, others: list[Disk]) -> None:
    if first.label is TableLabel.NONE:
        raise TargetRefusedError(
            "the first disk has no partition table to which partitions could be added",
            hint=_EACH_ALONE,
        )
    ids = [_partuuid(disk, one) for disk in (first, *others) for one in disk.partitions]
    twins = {one for one in ids if one and ids.count(one) > 1}
    if twins:
        raise TargetRefusedError(
            f"two partitions are called PARTUUID={min(twins)}, for one disk is a copy of another: "
            "on one disk nobody could tell which is meant",
            hint=_EACH_ALONE,
        )
    for other in others:
        if other.sector_size != first.sector_size:
            raise TargetRefusedError(
                f"disks with sectors of {first.sector_size} and {other.sector_size} bytes cannot "
                "become one",
                hint=_EACH_ALONE,
            )


def _has(disk: Disk, number: int) -> bool:
    return any(partition.number == number for partition in disk.partitions)


def _free_slots(disk: Disk, count: int) -> list[int]:
    """Return slots behind those that are taken; an MBR has four beside its logical partitions."""
    taken = {partition.in_table for partition in disk.partitions}
    if disk.label is TableLabel.GPT:
        free = range(max(taken, default=0) + 1, (disk.table_length or GPT_ENTRIES) + 1)
    else:
        free = range(1, PRIMARIES + 1)
    found = [slot for slot in free if slot not in taken][:count]
    if len(found) < count:
        raise TargetRefusedError(
            f"the partition table of the first disk has room for {len(found)} more partitions, "
            f"and there are {count}",
            hint=_EACH_ALONE,
        )
    return found


def _placed(first: Disk, disk: Disk, partition: Partition, *, slot: int, start: int) -> Partition:
    """Return a partition as it is in the first disk's table."""
    kind = _kind(disk, partition, first.label)
    if first.label is TableLabel.DOS:
        return Partition(
            number=partition.number, slot=slot, start=start, size=partition.size, type=kind
        )
    return Partition(
        number=partition.number,
        slot=slot,
        start=start,
        size=partition.size,
        type=kind,
        uuid=partition.uuid or _guid(first, disk, partition),
        name=partition.name,
        attrs=partition.attrs if disk.label is TableLabel.GPT else "",
    )


def _guid(first: Disk, disk: Disk, partition: Partition) -> str:
    """Return a GUID for one that has none: the same each time, so that a card can be checked."""
    known_by = f"{first.id} {disk.id} {partition.in_table}"
    return str(uuid.uuid5(uuid.NAMESPACE_OID, known_by)).upper()


def _kind(disk: Disk, partition: Partition, label: TableLabel) -> str:
    if disk.label is label:
        return partition.type
    if label is TableLabel.GPT:
        same_but_older = {"b": "c", "e": "c", "6": "c"}
        kind = partition.type.lower()
        return _TYPES.get(same_but_older.get(kind, kind), _LINUX_GUID)
    back = {guid: kind for kind, guid in _TYPES.items()}
    return back.get(partition.type.upper(), _LINUX)


def sized(disk: Disk, end: int) -> Disk:
    """Return a disk that has room for all of its partitions."""
    trailer = partition_layout.trailer(disk)
    size = max(disk.size, align_up((end + trailer) * disk.sector_size, MIB))
    last = size // disk.sector_size - trailer - 1 if trailer else 0
    return structs.replace(disk, size=size, last_lba=last, model="", serial="")


def _partuuid(disk: Disk, partition: Partition) -> str:
    return "" if disk.label is TableLabel.NONE else disk.partuuid(partition.number)


def _notes(manifest: Manifest, disk: Disk) -> Iterator[str]:
    for place, further in enumerate(manifest.further_disks, start=2):
        numbers = [str(one.number) for one in further.disk.partitions if _has(disk, one.number)]
        yield (
            f"partitions {', '.join(numbers)} of disk {place} are put behind those of disk 1: the "
            "board's firmware must be able to start from this one medium"
        )
        if further.gap is not None:
            yield f"what was before the first partition of disk {place} is left out"
        for area in further.boot_areas:
            yield f"{area_of(area.name)} of disk {place}, an area of its own, is left out"
