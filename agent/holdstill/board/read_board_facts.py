"""Finds out what the check for completeness has to know of the live board. Changes nothing.

Mounts are judged by mountinfo alone: none of another disk, a network or a program is touched.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.board import (
    block_devices,
    found_subvolumes,
    layout,
    mount_device,
    mount_top,
    mounts,
    needed_disks,
    system_names,
)
from holdstill.board.board_facts import (
    BoardFacts,
    DiskFacts,
    Doubt,
    PartFacts,
    PlacedMount,
    Subvolume,
    UncapturedArea,
    UsedGap,
)
from holdstill.disks import emmc_areas, luks_header, used_gaps
from holdstill.model import layout as layouts
from holdstill.model import system_tables
from holdstill.model.layout import Ext4, Fat, Luks, Other, Raw, Swap, TableLabel, Volume
from holdstill.model.paths import BoardPath
from holdstill.system import byte_source, files

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Sequence
    from pathlib import Path

    from holdstill.board.board_facts import Number
    from holdstill.board.boot_areas import BoardArea
    from holdstill.board.found_subvolumes import FoundSubvolume
    from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
    from holdstill.board.mounts import Mount


def read(
    board: BoardLayout,
    root: BoardPath,
    *,
    all_mounts: tuple[Mount, ...],
    raw: Collection[int],
    left_out: Collection[int] = (),
    areas: Iterable[BoardArea] = (),
    store: Path | None,
) -> BoardFacts:
    """Find out the facts of a board.

    Args:
        board: the captured disks.
        root: where the board's root is mounted on this system.
        all_mounts: what is mounted.
        raw: partitions whose bytes are copied, not their files.
        left_out: partitions of which nothing is captured.
        areas: of the disks' own areas beside their sectors, captured or not.
        store: the keeper's store, if it is in a directory of this machine.
    """
    names = system_names.read(root)
    doubts = list(names.doubts)
    devices = block_devices.read_block_devices(all_mounts)
    partitions = [part for part in board.parts if part.number == part.partition]
    parts = tuple(_part(board, part, (raw, left_out), doubts) for part in partitions)
    placed = tuple(
        PlacedMount(mount, mount_device.number(mount), str(mounts.relative_to(mount.point, root)))
        for mount in all_mounts
        if mounts.is_below(mount.point, root)
    )
    doubts += _mounted_outside(board, root, all_mounts)
    return BoardFacts(
        disks=_disks(board, areas, doubts),
        parts=parts,
        mounts=placed,
        devices=devices,
        fstab=names.fstab,
        crypttab=names.crypttab,
        root_argument=names.root_argument,
        devices_of=names.devices_of if names.is_here else _by_slot(names.specs, parts),
        store=needed_disks.place_of(store, root, all_mounts) if store else "",
        doubts=tuple(doubts),
    )


def _by_slot(specs: Iterable[str], parts: tuple[PartFacts, ...]) -> dict[str, Number]:
    """Take device names of a board that does not run here for the partitions of its disk."""
    by_slot = {part.number: part.id for part in parts}
    found = {}
    for spec in specs:
        number = by_slot.get(system_tables.partition_slot(spec) or 0)
        if number is not None:
            found[spec] = number
    return found


def _mounted_outside(
    board: BoardLayout, root: BoardPath, all_mounts: tuple[Mount, ...]
) -> Iterator[Doubt]:
    """Yield partitions that are mounted beside the board's root, and read as if they were not."""
    for part in board.parts:
        writable = [m for m in all_mounts if not m.is_read_only and layout.is_on(part, m)]
        if part.mount is None and writable:
            yield Doubt(
                str(part.device),
                f"it is mounted at {writable[0].point}, which is not below {root}: its copy may "
                "be of several moments",
            )
        elif part.mount is None and (file := board.files_in_use.get(part.partition)):
            yield Doubt(
                str(part.device),
                f"{file} of it is in use as a device, and no path leads to where it is mounted: "
                "its bytes are copied while they may change, and without what is not written yet",
            )


# ---- partitions ---------------------------------------------------------------------------------


def _part(
    board: BoardLayout,
    part: BoardPart,
    ways: tuple[Collection[int], Collection[int]],
    doubts: list[Doubt],
) -> PartFacts:
    is_btrfs = isinstance(part.file_system, Other) and part.file_system.type == "btrfs"
    has_trees = is_btrfs and part.number not in ways[0]
    return PartFacts(
        number=part.number,
        device=str(part.device),
        file_system=part.file_system,
        id=system_names.block_number(part.device),
        names=frozenset(_names(board, part)),
        mount=part.mount,
        is_whole=part.is_top or bool(part.views),
        place=part.place,
        is_raw=part.number in ways[0],
        is_left_out=part.number in ways[1],
        holders=part.holders,
        twin=part.twin,
        subvolumes=tuple(_subvolumes(board, part, doubts)) if has_trees else (),
        # Of one that is not mounted, our own private mount would be a member.
        members=_members(part) if is_btrfs and part.mount else (),
    )


def _names(board: BoardLayout, part: BoardPart) -> Iterator[str]:
    match part.file_system:
        case Ext4(uuid=uuid, label=label) | Swap(uuid=uuid, label=label):
            yield from (f"UUID={uuid}", f"LABEL={label}")
        case Other(uuid=uuid, label=label):
            yield from (f"UUID={uuid}", f"LABEL={label}")
        case Fat(label=label) as fat:
            yield from (f"UUID={fat.uuid}", f"LABEL={label}")
        case Luks(uuid=uuid, label=label):
            yield from (f"UUID={uuid}", f"LABEL={label}")
        case Raw(type="crypto_LUKS"):
            with layout.opened_part(board, part) as source:
                yield f"UUID={luks_header.uuid_in(source.read(0, 512))}"
        case _:
            pass
    disk = board.disk_of(part).layout
    if isinstance(area := disk.area(part.number), Volume):
        yield from (str(part.device), *area.nodes)
        return
    if disk.label is not TableLabel.NONE:
        yield f"PARTUUID={disk.partuuid(part.number)}"
        if name := disk.partition(part.number).name:
            yield f"PARTLABEL={name}"


def _subvolumes(board: BoardLayout, part: BoardPart, doubts: list[Doubt]) -> Iterator[Subvolume]:
    """Yield the subvolumes of a btrfs; a doubt if they cannot be listed."""
    captured = {
        one.file_system.path.encode()
        for one in board.parts
        if isinstance(one.file_system, layouts.Subvolume) and one.partition == part.number
    }
    if part.mount is not None and not part.is_top:
        captured = {part.mount.inside.raw.strip(b"/")}
    try:
        for volume in _listed(part):
            path = str(BoardPath(b"/" + volume.path))
            yield Subvolume(path, volume.is_snapshot, volume.path in captured, volume.id)
    except OSError as error:
        why = f"its subvolumes cannot be listed ({error.strerror}): some may be missing"
        doubts.append(Doubt(str(part.device), why))


def _listed(part: BoardPart) -> Sequence[FoundSubvolume]:
    """List the subvolumes of a btrfs: of one that is not mounted, those that were found before.

    A second private mount of it would be refused by a kernel before 6.7 while there is one.
    """
    if part.mount is None:
        return part.subvolumes
    with mount_top.opened(part.mount) as handle:
        return found_subvolumes.find(handle)


def _members(part: BoardPart) -> tuple[str, ...]:
    """Return the devices of a mounted btrfs (Linux fs/btrfs/sysfs.c)."""
    assert isinstance(part.file_system, Other)  # noqa: S101  it is a btrfs
    folder = layout.SYS / "fs/btrfs" / part.file_system.uuid / "devices"
    return tuple(sorted(item.name for item in folder.iterdir())) if folder.is_dir() else ()


# ---- around the partitions ----------------------------------------------------------------------


def _disks(
    board: BoardLayout, areas: Iterable[BoardArea], doubts: list[Doubt]
) -> tuple[DiskFacts, ...]:
    left = [area for area in areas if area.obstacle]
    return tuple(
        DiskFacts(
            str(disk.device),
            tuple(_gaps(disk, doubts)),
            tuple(used_areas((area for area in left if area.place == place), doubts)),
            emmc_areas.has_protected_memory(disk.device),
            disk.layout.has_logical,
        )
        for place, disk in enumerate(board.disks, start=1)
    )


def _gaps(disk: BoardDisk, doubts: list[Doubt]) -> Iterator[UsedGap]:
    try:
        with byte_source.opened(disk.device) as source:
            for gap in used_gaps.used(source, disk.layout):
                yield UsedGap(gap.start, gap.end, gap.after)
    except OSError as error:
        why = f"what is between its partitions cannot be read ({error.strerror})"
        doubts.append(Doubt(str(disk.device), why))


def used_areas(areas: Iterable[BoardArea], doubts: list[Doubt]) -> Iterator[UncapturedArea]:
    """Yield those of an eMMC's own areas that hold anything; doubts get what cannot be read."""
    for area in areas:
        try:
            with byte_source.opened(area.device) as source:
                is_used = not all(
                    used_gaps.is_blank(source.read(at, min(files.CHUNK, source.size - at)))
                    for at in range(0, source.size, files.CHUNK)
                )
        except OSError as error:
            why = f"this area of the eMMC cannot be read ({error.strerror}): it may be needed"
            doubts.append(Doubt(str(area.device), why))
            continue
        if is_used:
            yield UncapturedArea(str(area.device), area.obstacle)
