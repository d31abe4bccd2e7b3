"""In which order file systems can be frozen without anybody waiting for a frozen one.

Thawing and freezing write to the file system's device. Where that device is a loop device whose
file is on another file system, the upper one has to be frozen first and thawed last.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import journal_devices, loop_files, mount_device, mount_top, mounts
from holdstill.model.paths import BoardPath

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from holdstill.board.board_facts import LoopFile
    from holdstill.board.mounts import Mount

SYS = Path("/sys")
Device = tuple[int, int]
"""Major and minor number."""
DEPTH_MAX = 16
"""The most device layers that are followed; more are not known in practice."""


def one_per_file_system(wanted: Sequence[Mount]) -> list[Mount]:
    """Keep one mount of each superblock: a second freeze of the same one is refused as busy."""
    first: dict[Device, Mount] = {}
    for mount in wanted:
        first.setdefault(mount.device, mount)
    return list(first.values())


def freeze_order(
    wanted: Sequence[Mount], stands_on: Mapping[Device, frozenset[Device]]
) -> list[Mount]:
    """Sort file systems on files of another one before it; then deepest first, / last.

    Args:
        wanted: one mount of each file system.
        stands_on: the file systems that hold a file system's backing files.
    """
    order = sorted(one_per_file_system(wanted), key=_depth, reverse=True)
    return sorted(order, key=lambda mount: _level(mount.device, stands_on), reverse=True)


def _depth(mount: Mount) -> int:
    return len([name for name in mount.point.raw.split(b"/") if name])


def _level(
    device: Device, stands_on: Mapping[Device, frozenset[Device]], *, left: int = DEPTH_MAX
) -> int:
    below = stands_on.get(device, frozenset()) if left else frozenset()
    return max((_level(d, stands_on, left=left - 1) + 1 for d in below), default=0)


def read_stacking(
    all_mounts: Sequence[Mount], *, sys: Path = SYS, dev: Path = loop_files.DEV
) -> dict[Device, frozenset[Device]]:
    """Find out which mounted file systems are on files of which others."""
    found: dict[Device, frozenset[Device]] = {}
    numbers = {mount.device: mount_device.number(mount) for mount in all_mounts}
    for mount in all_mounts:
        below = set()
        for device in _devices(mount, sys):
            for file in backing_files(device, all_mounts, sys=sys, dev=dev):
                below |= {one for one, number in numbers.items() if number == file.number}
                below |= holders(BoardPath(file.path.encode(errors="surrogateescape")), all_mounts)
        found[mount.device] = frozenset(below) - {mount.device}
    return found


def standing_on(
    frozen: Sequence[Mount],
    all_mounts: Sequence[Mount],
    stands_on: Mapping[Device, frozenset[Device]],
) -> list[Mount]:
    """Return what can be written to and is in files of some file systems, one mount of each.

    Args:
        frozen: mounts of these.
        all_mounts: everything mounted.
        stands_on: the file systems that hold a file system's backing files.
    """
    wanted = {mount.device for mount in frozen}
    reached, size = set(wanted), 0
    while size != len(reached):
        size = len(reached)
        reached |= {one for one, below in stands_on.items() if not below.isdisjoint(reached)}
    mine = [one for one in all_mounts if one.device in reached - wanted and not one.is_read_only]
    folders = map(mount_top.as_folder, mine)
    return one_per_file_system(sorted(folders, key=lambda one: (one.is_of_a_file, one.is_covered)))


def not_held(stacked: Sequence[Mount], freezable: Collection[str]) -> Iterator[str]:
    """Yield what is in files and cannot be frozen, in words."""
    for mount in stacked:
        if mount.type not in freezable:
            yield (
                f"{mount.point} ({mount.type}, {mount.source}) is in a file, and cannot be "
                "frozen: that file is in the capture as after a power cut"
            )


def holders(file: BoardPath, all_mounts: Sequence[Mount]) -> set[Device]:
    """Return what a file may be on, also where it may have been opened before that was covered."""
    seen = mounts.mount_of(file, tuple(all_mounts))
    covered = [one for one in all_mounts if one.is_covered and mounts.is_below(file, one.point)]
    return {one.device for one in (seen, *covered) if one is not None}


def _devices(mount: Mount, sys: Path) -> Iterator[Device]:
    if mount.device[0] != 0:
        yield mount.device
    elif mount.source.startswith("/dev/"):
        yield from _pool(mount.source, sys)
    for device in journal_devices.of_mount(mount):
        yield from _number_of(device)


def _pool(source: str, sys: Path) -> Iterator[Device]:
    """Yield the devices of a file system that shows none of its own, such as btrfs."""
    yield from _number_of(Path(source))
    name = Path(os.path.realpath(source)).name
    for member in sys.glob(f"fs/btrfs/*/devices/{name}"):
        for device in member.parent.iterdir():
            yield _numbers(device / "dev")


def _number_of(device: Path) -> Iterator[Device]:
    with suppress(OSError):
        number = device.stat().st_rdev
        yield os.major(number), os.minor(number)


def _numbers(file: Path) -> Device:
    major, minor = file.read_text(encoding="ascii").strip().split(":")
    return int(major), int(minor)


def backing_files(
    device: Device,
    all_mounts: Sequence[Mount],
    *,
    sys: Path = SYS,
    dev: Path = loop_files.DEV,
    left: int = DEPTH_MAX,
) -> set[LoopFile]:
    """Return the files that a block device keeps its bytes in: of loop devices, at any depth."""
    place = sys / "dev" / "block" / f"{device[0]}:{device[1]}"
    if not left or not place.exists():
        return set()
    disk = place.resolve()
    if (disk / "partition").exists():
        disk = disk.parent
    file = loop_files.read(disk, tuple(all_mounts), dev=dev)
    found = {file} if file else set()
    for lower in (disk / "slaves").glob("*/dev"):
        found |= backing_files(_numbers(lower), all_mounts, sys=sys, dev=dev, left=left - 1)
    return found
