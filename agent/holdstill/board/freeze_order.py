"""In which order file systems can be frozen without anybody waiting for a frozen one.

Thawing and freezing write to the file system's device. Where that device is a loop device whose
file is on another file system, the upper one has to be frozen first and thawed last.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import mounts
from holdstill.model.paths import BoardPath

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

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
    all_mounts: Sequence[Mount], *, sys: Path = SYS
) -> dict[Device, frozenset[Device]]:
    """Find out which mounted file systems are on files of which others."""
    found = {}
    for mount in all_mounts:
        files = [f for device in _devices(mount, sys) for f in backing_files(device, sys=sys)]
        below = {device for file in files for device in holders(BoardPath(file), all_mounts)}
        found[mount.device] = frozenset(below) - {mount.device}
    return found


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


def _pool(source: str, sys: Path) -> Iterator[Device]:
    """Yield the devices of a file system that shows none of its own, such as btrfs."""
    try:
        number = Path(source).stat().st_rdev
    except OSError:
        return
    yield os.major(number), os.minor(number)
    name = Path(os.path.realpath(source)).name
    for member in sys.glob(f"fs/btrfs/*/devices/{name}"):
        for device in member.parent.iterdir():
            yield _numbers(device / "dev")


def _numbers(file: Path) -> Device:
    major, minor = file.read_text(encoding="ascii").strip().split(":")
    return int(major), int(minor)


def backing_files(device: Device, *, sys: Path = SYS, left: int = DEPTH_MAX) -> set[bytes]:
    """Return the files that a block device keeps its bytes in: of loop devices, at any depth."""
    place = sys / "dev" / "block" / f"{device[0]}:{device[1]}"
    if not left or not place.exists():
        return set()
    disk = place.resolve()
    if (disk / "partition").exists():
        disk = disk.parent
    loop = disk / "loop" / "backing_file"
    found = set()
    if loop.exists():
        # The kernel writes "/data/card.img (deleted)" for a file whose name is gone: its directory
        # still has the file system.
        found.add(loop.read_bytes().rstrip(b"\n").removesuffix(b" (deleted)"))
    for lower in (disk / "slaves").glob("*/dev"):
        found |= backing_files(_numbers(lower), sys=sys, left=left - 1)
    return found
