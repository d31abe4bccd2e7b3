"""The plan of a rebuild: every step decided before the first byte is written. Pure."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, NamedTuple, assert_never

from msgspec import structs

from holdstill.errors import LayoutError, TargetRefusedError
from holdstill.filesystems.ext4 import ext4_parameters
from holdstill.filesystems.fat import fat_parameters
from holdstill.model.layout import (
    ArrayMember,
    Container,
    Disk,
    Ext4,
    Fat,
    Luks,
    LvmPv,
    Need,
    Other,
    Partition,
    Raw,
    Record,
    Subvolume,
    Swap,
    Volume,
)
from holdstill.model.sizes import human
from holdstill.rebuild import partition_layout, volume_groups
from holdstill.rebuild.partition_layout import DoesNotFitError
from holdstill.rebuild.steps import (
    KINDS,
    AnyPartStep,
    AnyStep,
    ClearTables,
    Flush,
    LeaveEmpty,
    MakeArray,
    MakeExt4,
    MakeFat,
    MakeLuks,
    MakeOther,
    MakeSwap,
    NumberedSubvolume,
    PutGap,
    PutRaw,
    ReadBack,
    WriteTable,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from holdstill.model.manifest import CapturedPart, Manifest


class Plan(Record, frozen=True, kw_only=True):
    """A whole rebuild.

    Attributes:
        disk: the layout that the target gets.
        steps: what to do, in order.
        notes: what is not as on the captured card, for people.
        least_bytes: what is written at the least, holes left out; 0 where nobody has counted.
    """

    disk: Disk
    steps: tuple[AnyStep, ...]
    notes: tuple[str, ...] = ()
    least_bytes: int = 0


def plan(
    manifest: Manifest,
    *,
    target_size: int,
    needs: Mapping[int, Need],
    grow: int | None = None,
    leave_free: int = 0,
) -> Plan:
    """Decide a rebuild.

    Args:
        manifest: of the capture.
        target_size: bytes of the card or image.
        needs: what the trees need, by partition number; see rebuild.fit.
        grow: number of the partition that gives or takes the difference in size; None = the
            last one that can.
        leave_free: bytes at the end that no partition gets, for the card's own use.

    Raises:
        TargetRefusedError: the target is too small (fitting.DoesNotFitError, with numbers), or
            that partition cannot change its size.
        LayoutError: the captured layout makes no sense.
    """
    volume_groups.check(manifest)
    elastic = _elastic(manifest, grow)
    least = _least(manifest, needs)
    fit = partial(
        partition_layout.fitted,
        manifest.disk,
        size=target_size,
        least=least,
        leave_free=leave_free,
    )
    try:
        disk = fit(elastic=elastic)
    except DoesNotFitError as error:
        others = (n for n in _resizable(manifest) if n != elastic)
        better = next((n for n in others if _fits(partial(fit, elastic=n))), None)
        if better is not None:
            error.hint += f"; but with `--grow {better}` this target is large enough"
        raise
    parts = sorted(_part_steps(manifest, disk, needs), key=lambda step: KINDS.index(type(step)))
    gap = (PutGap(attachment=manifest.gap, disk=disk),) if manifest.gap else ()
    return Plan(
        disk=disk,
        steps=(
            ClearTables(), *gap, *parts, Flush(), ReadBack(disk=disk), WriteTable(disk=disk),
        ),
        notes=tuple(_notes(manifest, disk)),
    )  # fmt: skip


def _resizable(manifest: Manifest) -> list[int]:
    """Return the partitions that may be named to give or take."""
    return [
        part.number for part in manifest.parts if isinstance(part.file_system, Ext4 | Other | Fat)
    ]


def _fits(fit: Callable[[], Disk]) -> bool:
    try:
        fit()
    except DoesNotFitError:
        return False
    return True


def smallest(
    manifest: Manifest,
    *,
    needs: Mapping[int, Need],
    grow: int | None = None,
    leave_free: int = 0,
) -> int:
    """Return the bytes of the smallest target that can hold a capture."""
    return partition_layout.smallest(
        manifest.disk,
        elastic=_elastic(manifest, grow),
        least=_least(manifest, needs),
        leave_free=leave_free,
    )


def _least(manifest: Manifest, needs: Mapping[int, Need]) -> dict[int, int]:
    """Return the bytes that each partition needs; a raw one needs all that it had."""
    least = {number: need.size for number, need in needs.items()}
    for part in manifest.parts:
        if isinstance(part.file_system, Raw):
            least[part.number] = part.file_system.size
    return least


def _elastic(manifest: Manifest, grow: int | None) -> int | None:
    """Return the partition that gives or takes."""
    if grow is not None:
        return _named(manifest, grow)
    candidates = [
        part.number for part in manifest.parts if isinstance(part.file_system, Ext4 | Other)
    ]
    by_place = sorted(candidates, key=lambda number: _area(manifest.disk, number).start)
    return by_place[-1] if by_place else None


def _named(manifest: Manifest, number: int) -> int:
    try:
        file_system = manifest.part(number).file_system
    except KeyError as error:
        known = ", ".join(str(part.number) for part in manifest.parts)
        raise TargetRefusedError(
            f"the capture has no partition {number}", hint=f"it has {known}"
        ) from error
    if number not in _resizable(manifest):
        kind = type(file_system).__name__.lower()
        raise TargetRefusedError(
            f"partition {number} ({kind}) keeps its size",
            hint="name one that holds files, or none for the last of them",
        )
    return number


def _area(disk: Disk, number: int) -> Partition | Volume:
    try:
        return disk.area(number)
    except KeyError as error:
        raise LayoutError(
            f"the manifest describes partition {number}, which its partition table lacks"
        ) from error


def _part_steps(
    manifest: Manifest, disk: Disk, needs: Mapping[int, Need]
) -> Iterator[AnyPartStep]:
    containers = encrypted(manifest)
    for part in manifest.parts:
        if isinstance(part.file_system, Subvolume):
            continue  # made with its partition
        old, new = _area(manifest.disk, part.number), _area(disk, part.number)
        place = _PlannedPart(new.start * disk.sector_size, new.size * disk.sector_size)
        was = old.size * disk.sector_size
        inside = containers.get(part.number, 0)
        if isinstance(part.file_system, LvmPv):
            lvm = volume_groups.step(part.number, part.file_system, manifest, disk)
            steps: Iterator[AnyPartStep] = iter([lvm])
        elif isinstance(part.file_system, ArrayMember):
            steps = iter([_array(part.number, part.file_system, place, disk)])
        else:
            need = needs.get(part.number, Need(0, 0))
            steps = _part_step(part, place, was, need, manifest)
        yield from (structs.replace(step, inside=inside) for step in steps)


def _array(number: int, parameters: ArrayMember, place: _PlannedPart, disk: Disk) -> MakeArray:
    (inside,) = disk.volumes_of(number)
    return MakeArray(
        number=number, offset=place.offset, size=place.size, parameters=parameters,
        content=inside.size * disk.sector_size,
    )  # fmt: skip


def encrypted(manifest: Manifest) -> dict[int, int]:
    """Return the parts that are in encrypted containers, with the number of the container.

    Raises:
        TargetRefusedError: one is in another.
    """
    found = dict[int, int]()
    containers = {
        part.number for part in manifest.parts if isinstance(part.file_system, Luks)
    }  # fmt: skip
    for disk in manifest.disks:
        for volume in disk.volumes:  # each behind what it is in
            around = found.get(volume.of, volume.of if volume.of in containers else 0)
            if around and volume.number in containers:
                raise TargetRefusedError(
                    f"volume {volume.number} is an encrypted container within another, {around}",
                    hint="files can be taken out with `holdstill get`",
                )
            if around:
                found[volume.number] = around
    return found


class _PlannedPart(NamedTuple):
    offset: int
    size: int


def _part_step(
    part: CapturedPart, place: _PlannedPart, was: int, need: Need, manifest: Manifest
) -> Iterator[AnyPartStep]:
    number, offset, size = part.number, *place
    swap_files = tuple(file for file in manifest.swap_files if file.partition == number)
    match part.file_system:
        case Ext4() as ext4:
            yield MakeExt4(
                number=number, offset=offset, size=size, swap_files=swap_files,
                parameters=ext4_for(ext4, size=size, was=was, need=need),
            )  # fmt: skip
        case Fat() as fat:
            fat = fat if size == was else fat_parameters.resized(fat, size=size)
            yield MakeFat(number=number, offset=offset, size=size, parameters=fat)
        case Other() as other:
            subvolumes = tuple(
                NumberedSubvolume(number=n, kind=kind) for n, kind in manifest.subvolumes(number)
            )
            yield MakeOther(
                number=number, offset=offset, size=size, swap_files=swap_files, parameters=other,
                subvolumes=subvolumes,
            )  # fmt: skip
        case Swap() as swap:
            yield MakeSwap(number=number, offset=offset, size=size, parameters=swap)
        case Raw(digest=""):
            yield LeaveEmpty(number=number, offset=offset, size=size)
        case Raw() as raw:
            yield PutRaw(number=number, offset=offset, size=size, parameters=raw)
        case Luks() as luks:
            yield MakeLuks(number=number, offset=offset, size=size, parameters=luks)
        case Container() | Subvolume() | LvmPv() | ArrayMember():
            pass
        case unknown:
            assert_never(unknown)


def ext4_for(parameters: Ext4, *, size: int, was: int, need: Need) -> Ext4:
    """Return the parameters for a partition of size bytes that was of another size.

    In a partition that keeps its size the file system keeps its own, unless what it held takes
    more room when it is written again.
    """
    parameters = ext4_parameters.without_mount_guard(parameters)
    own = parameters.blocks * parameters.block_size
    if size == was and need.size <= own <= size:
        size = own
        if need.inodes <= parameters.inodes:
            return parameters
    return ext4_parameters.resized(parameters, size=size, inodes=need.inodes)


def _notes(manifest: Manifest, disk: Disk) -> Iterator[str]:
    for partition in disk.areas:
        old = manifest.disk.area(partition.number)
        if partition.size != old.size:
            before, after = old.size * disk.sector_size, partition.size * disk.sector_size
            word = "grows" if after > before else "shrinks"
            yield f"partition {partition.number} {word} from {human(before)} to {human(after)}"
        if partition.start != old.start:
            yield (
                f"partition {partition.number} moves from sector {old.start} to {partition.start}"
            )
    yield from (
        f"the logical volume {volume.name}, which was {volume.was}, comes back in one piece"
        for volume in disk.volumes
        if volume.was
    )
    yield from (
        f"the array {volume.array} comes back DEGRADED, with one of its {array.members} members, "
        f"in {volume.of}: it starts and works so; `mdadm --manage {volume.nodes[0]} --add "
        "PARTITION` on the board gives it another"
        for volume in disk.volumes
        if isinstance(array := manifest.part(volume.of).file_system, ArrayMember)
        and array.members > 1
    )
    yield from (
        f"partition {part.number}: the guard against being mounted twice (mmp) is left out"
        for part in manifest.parts
        if isinstance(part.file_system, Ext4) and "mmp" in part.file_system.features
    )
    yield from (
        f"partition {part.number}: {part.file_system.type} is made with default parameters; its "
        "files, UUID and label are kept, its features and limits of quotas are not"
        for part in manifest.parts
        if isinstance(part.file_system, Other)
    )
    yield from (
        f"partition {part.number}{f' ({kind})' if kind else ''} was left out of the capture: it "
        "is there, and empty"
        for part in manifest.parts
        if isinstance(part.file_system, Raw) and not part.file_system.digest
        for kind in [part.file_system.type]
    )
