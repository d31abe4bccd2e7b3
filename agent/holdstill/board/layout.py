"""What the board is made of: the disk that / is on, its table, and what each partition holds.

Only reads: the table and the file systems' signatures, straight from the device.
"""

from __future__ import annotations

import os
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from holdstill.board import mount_device, mount_top, mounts
from holdstill.board.mounts import Mount
from holdstill.disks import emmc_areas, partition_table
from holdstill.errors import LayoutError
from holdstill.filesystems import probe
from holdstill.model import tree_views
from holdstill.model.layout import Container, Disk, Ext4, Other, Partition, Subvolume
from holdstill.model.paths import BoardPath
from holdstill.model.sizes import SECTOR
from holdstill.system import byte_source, ioctl

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from holdstill.board.found_subvolumes import FoundSubvolume
    from holdstill.model.layout import FileSystem
    from holdstill.model.manifest import RootFile
    from holdstill.model.tree_views import TreeView
    from holdstill.system.byte_source import OpenFile

SYS = Path("/sys")
_TOP = BoardPath(b"/")
PLAIN_DIRECTORY = "directory"
"""Type of the stand-in for a mount where the root is a plain directory; no kernel's name."""
_EXTENDED = frozenset({"5", "f", "85"})


@dataclass(frozen=True)
class BoardPart:
    """One partition of the board's disks, or one subvolume of it.

    Attributes:
        device: its device node; the disk's own for a file system without a table.
        offset, size: bytes on the disk.
        mount: where it is mounted on this system, None when it is not.
        place: where its files are seen from the board's root, such as / or /boot/firmware; "" if
            nowhere.
        views: where folders of it are seen, if what the board sees of it are these.
        is_top: whether it is a btrfs with subvolumes that are parts of their own.
        holders: names of devices that are made of it now: it is written to through them.
        subvolumes: of such a btrfs that is not mounted, all that it has.
        obstacle: why what is in it cannot be captured, and what can be done; "" for nothing.
        twin: of what is or was a member of a mirror, the part with which the mirror's content is
            captured; 0 for this one, or none.
    """

    number: int
    device: Path
    offset: int
    size: int
    file_system: FileSystem
    mount: Mount | None = None
    place: str = ""
    views: tuple[TreeView, ...] = ()
    is_top: bool = False
    holders: tuple[str, ...] = ()
    subvolumes: tuple[FoundSubvolume, ...] = ()
    obstacle: str = ""
    twin: int = 0

    @property
    def seen(self) -> tuple[TreeView, ...]:
        """Where it is seen, as a whole or by its folders."""
        return (*tree_views.at_top(self.place), *self.views)

    @property
    def is_root(self) -> bool:
        """Whether the board's / is it, or in it."""
        return any(view.is_root for view in self.seen)

    @property
    def partition(self) -> int:
        """The number of the partition that it is, or that it is a subvolume of."""
        return self.file_system.of if isinstance(self.file_system, Subvolume) else self.number

    @property
    def tree_path(self) -> str:
        """Where its files begin in their file system, from the top; "" but for a subvolume."""
        return self.file_system.path if isinstance(self.file_system, Subvolume) else ""

    @property
    def label(self) -> str:
        """What people call it: its number; of a subvolume that of the partition, and its path."""
        if isinstance(self.file_system, Subvolume):
            return f"{self.file_system.of}:{self.file_system.path}"
        return str(self.number)


@dataclass(frozen=True)
class BoardDisk:
    """One disk of the board.

    Attributes:
        device: its node; or a card image, for a root that is a plain directory.
        layout: its table, with the numbers that its partitions have in a capture.
    """

    device: Path
    layout: Disk

    def has(self, number: int) -> bool:
        """Whether a partition, or volume, with this number is on it."""
        return any(area.number == number for area in self.layout.areas)


@dataclass(frozen=True)
class BoardLayout:
    """The board's disks with their partitions; the first disk is that which it boots from.

    Attributes:
        root_file: the file of a partition that / is in, if it is.
        files_in_use: a file that a loop device has its bytes in, by the partition that it is on.
    """

    disks: tuple[BoardDisk, ...]
    parts: tuple[BoardPart, ...]
    warnings: tuple[str, ...] = ()
    root_file: RootFile | None = None
    files_in_use: Mapping[int, str] = field(default_factory=dict)

    @property
    def device(self) -> Path:
        """The first disk's device."""
        return self.disks[0].device

    @property
    def root_device(self) -> Path:
        """The device of the disk that the root is on, which is written to most; else the first."""
        root = next((part for part in self.parts if self.holds_root(part)), None)
        return self.disk_of(root).device if root else self.device

    @property
    def has_root(self) -> bool:
        """Whether / is on one of the partitions, or in a file of one."""
        return any(map(self.holds_root, self.parts))

    def holds_root(self, part: BoardPart) -> bool:
        """Whether / is a partition, in a folder of it or in a file of it."""
        in_file = self.root_file.partition if self.root_file else None
        return part.is_root or part.number == in_file

    @property
    def devices(self) -> tuple[Path, ...]:
        """All disks' devices."""
        return tuple(disk.device for disk in self.disks)

    @property
    def named(self) -> str:
        """All disks, by their devices, for people."""
        return ", ".join(map(str, self.devices))

    def disk_of(self, part: BoardPart) -> BoardDisk:
        """Return the disk that a partition is on."""
        return next(disk for disk in self.disks if disk.has(part.partition))

    def inside(self, number: int) -> frozenset[int]:
        """Return the number of a partition or volume, and those of all volumes in it."""
        found = {number}
        for disk in self.disks:
            for volume in disk.layout.volumes:  # each behind what it is in
                if volume.of in found:
                    found.add(volume.number)
        return frozenset(found)

    def part(self, number: int) -> BoardPart:
        """Return the partition in this slot; KeyError when there is none."""
        return {part.number: part for part in self.parts}[number]


@contextmanager
def opened_part(board: BoardLayout, part: BoardPart) -> Iterator[OpenFile]:
    """Hold a partition open for reading, by its own device if there is one.

    The kernel caches a disk's device and its partitions' apart: what somebody writes to a
    partition, or did while it was mounted, does not show where the disk's was read before.
    """
    with ExitStack() as undo:
        if part.device.is_block_device():
            source = undo.enter_context(byte_source.opened(part.device))
            if source.size >= part.size:
                yield source.window(0, part.size)
                return
        # A card image, or a table that this kernel has not read again.
        disk = undo.enter_context(byte_source.opened(board.disk_of(part).device))
        yield disk.window(part.offset, part.size)


def read_layout(
    root: BoardPath, *, devices: Sequence[Path], all_mounts: tuple[Mount, ...]
) -> BoardLayout:
    """Find out what the board is made of.

    Args:
        root: where the board's root file system is mounted on this system.
        devices: of its disks, the one that it boots from first; or a card image, for a root that
            is a plain directory.
        all_mounts: what is mounted.

    Raises:
        LayoutError: a disk cannot be found or its table cannot be understood.
    """
    mine = [m for m in all_mounts if mounts.is_below(m.point, root)]
    disks = tuple(
        BoardDisk(device, read_disk(device).as_further(place))
        for place, device in enumerate(devices, start=1)
    )
    parts = tuple(
        _read_part(disk, partition, root, mine)
        for disk in disks
        for partition in disk.layout.partitions
    )
    parts = with_card_below(parts, root, all_mounts)
    if disks[0].device.is_file() and not any(m.point == root for m in mine):
        parts = _with_directory(parts, root)
    return BoardLayout(disks, parts, tuple(_warnings(root, all_mounts)))


def check_root(root: BoardPath) -> None:
    """Check that there is a directory.

    Raises:
        LayoutError: there is none.
    """
    if not Path(os.fsdecode(root.raw)).is_dir():
        raise LayoutError(
            f"{root} is no directory",
            hint="check `root` in the board's settings: / on a running board",
        )


def node_of(device: Path) -> Path:
    """Return the node that a device's name, such as one in /dev/disk/by-id, leads to.

    A link that leads to anything else, such as a card image, stays what it is.
    """
    is_device = device.is_relative_to("/dev") or device.is_block_device()
    return device.resolve() if is_device else device


def with_card_below(
    parts: tuple[BoardPart, ...], root: BoardPath, all_mounts: tuple[Mount, ...]
) -> tuple[BoardPart, ...]:
    """Take the file system below an overlay root for the root, wherever it is mounted.

    That is what has to be on a card for the board to boot; the overlay is made again each time.
    """
    below = layer_of_root(root, all_mounts)
    if below is None or below.inside.raw != b"/":
        return parts
    return tuple(
        replace(part, mount=below, place="/") if is_on(part, below) else part for part in parts
    )


def layer_of_root(root: BoardPath, all_mounts: tuple[Mount, ...]) -> Mount | None:
    """Return the lowest layer of a root that is an overlay; None for another root.

    Where the layer is a folder of a mount, the mount that is returned shows only that.
    """
    top = mounts.mount_of(root, all_mounts)
    layer = _last_layer(top) if top is not None else None
    if top is None or layer is None or top.type != "overlay" or top.point != root:
        return None
    below = _backing(top, all_mounts)
    if below is top:
        return None
    inside = mounts.joined(below.inside, mounts.relative_to(layer, below.point))
    return replace(below, inside=inside, point=layer)


def _with_directory(parts: tuple[BoardPart, ...], root: BoardPath) -> tuple[BoardPart, ...]:
    """Let a plain directory have the files of a card image's largest file system that has any.

    The image then gives table, boot gap and the file system's parameters. A directory can be
    neither frozen nor made read-only.
    """
    holders = [part for part in parts if isinstance(part.file_system, Ext4 | Other)]
    if not holders:
        return parts
    here = Mount((0, 0), BoardPath(b"/"), root, "rw", PLAIN_DIRECTORY, str(root))
    most = max(holders, key=lambda part: part.size)
    return tuple(replace(p, mount=here, place="/") if p is most else p for p in parts)


def _warnings(root: BoardPath, all_mounts: tuple[Mount, ...]) -> list[str]:
    mount = mounts.mount_of(root, all_mounts)
    if mount is not None and mount.type == "overlay":
        text = (
            f"{root} is an overlay: what is captured is the file systems on the card below it; "
            "changes kept in memory only are lost at every power-off and are not captured"
        )
        return [text]
    return []


def read_disk(device: Path) -> Disk:
    """Read a disk's size, identity and partition table.

    Raises:
        LayoutError: no such device, or a table that cannot be rebuilt.
    """
    if (SYS / "class/block" / device.name / "partition").exists():
        raise LayoutError(
            f"{device} is a partition",
            hint="name the disk that it is on as one of `disks` in the board's settings",
        )
    try:
        with byte_source.opened(device) as source:
            sector_size = int(
                first_line(SYS / "block" / device.name / "queue/logical_block_size") or SECTOR
            )
            disk = partition_table.read(source, sector_size=sector_size)
    except LayoutError as error:
        raise LayoutError(
            f"{device}: {error}",
            hint=error.hint or "check `disks` in the board's settings, and that this one is there",
        ) from error
    except OSError as error:
        raise LayoutError(
            f"cannot read {device}: {error.strerror}",
            hint="run as root, and check `disks` in the board's settings, or --disk: `lsblk` "
            "shows which disks there are",
        ) from error
    model, serial = _model(device)
    return msgspec.structs.replace(
        disk,
        device=str(device),
        model=model,
        serial=serial,
        emmc_boot=emmc_areas.boot_config(device),
    )


def disk_of_root(root: BoardPath, all_mounts: tuple[Mount, ...]) -> Path:
    """Return the device of the disk that the root, or what is below an overlay root, is on.

    Raises:
        LayoutError: it is on no block device, or nothing is mounted there.
    """
    mount = mounts.mount_of(root, all_mounts)
    if mount is None:
        raise LayoutError(
            f"nothing is mounted at {root}", hint="check `root` in the board's settings"
        )
    mount = _backing(mount, all_mounts)
    number = mount_device.number(mount)
    place = SYS / "dev" / "block" / f"{number[0]}:{number[1]}"
    if not place.exists():
        raise LayoutError(
            f"{root} is on {mount.source} ({mount.type}), which is no block device",
            hint="name the card's device as `disks` in the board's settings",
        )
    real = place.resolve()
    disk = real.parent if (real / "partition").exists() else real
    return Path("/dev") / disk.name.replace("!", "/")


def _backing(mount: Mount, all_mounts: tuple[Mount, ...]) -> Mount:
    """For an overlay, return the mount that its lower layer is on."""
    last_layer = _last_layer(mount)
    if mount.type != "overlay" or last_layer is None:
        return mount
    # As it was when the overlay was mounted, which may itself cover what is below it.
    below = [m for m in all_mounts if m is not mount]
    seen = mounts.with_covers(below)
    found = mounts.mount_of(last_layer, seen)
    return below[seen.index(found)] if found else mount


def _last_layer(overlay: Mount) -> BoardPath | None:
    lower = overlay.option("lowerdir")
    return BoardPath(lower.split(":")[-1].encode(errors="surrogateescape")) if lower else None


def place_of(mount: Mount, root: BoardPath) -> str:
    """Return where a mount's files are seen from the board's root; "" if it is covered."""
    return "" if mount.is_covered else str(mounts.relative_to(mount.point, root))


def is_on(part: BoardPart, mount: Mount) -> bool:
    """Whether a mount is of a partition's file system."""
    return mount_from(part.device, [mount]) is not None


def _model(device: Path) -> tuple[str, str]:
    """Return model and serial number of a disk, as far as the kernel knows them."""
    block = SYS / "block" / device.name / "device"
    model = first_line(block / "model") or first_line(block / "name")
    return model, first_line(block / "serial") or first_line(block / "cid")


def first_line(path: Path) -> str:
    """Return what a file of /sys says; "" when there is none."""
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""


def _read_part(
    on: BoardDisk, partition: Partition, root: BoardPath, mine: list[Mount]
) -> BoardPart:
    device, disk = on.device, on.layout
    node = Path(disk.node(partition))
    offset, size = partition.start * disk.sector_size, partition.size * disk.sector_size
    mount = mount_from(node, mine, root)
    return BoardPart(
        number=partition.number,
        device=node,
        offset=offset,
        size=size,
        file_system=_file_system(device, partition, offset, size),
        mount=mount,
        place=place_of(mount, root) if mount else "",
        holders=holders_of(node.name),
    )


def holders_of(name: str, *, sys: Path = SYS) -> tuple[str, ...]:
    """Return the names of the devices that are made of one: LUKS, LVM, arrays."""
    folder = sys / "class/block" / name / "holders"
    return tuple(sorted(item.name for item in folder.iterdir())) if folder.is_dir() else ()


def _file_system(device: Path, partition: Partition, offset: int, size: int) -> FileSystem:
    if partition.type.lower() in _EXTENDED:
        return Container()
    with byte_source.opened(device) as source:
        if device.is_block_device():
            # Else we may see what was there when the disk's device was last read.
            with suppress(OSError):
                ioctl.drop_device_cache(source.handle)
        return probe.probe(source.window(offset, size))


def mount_from(node: Path, mine: Iterable[Mount], root: BoardPath = _TOP) -> Mount | None:
    """Return the mount of a partition's file system: of all of it, and one to see, if possible."""
    try:
        number = node.stat().st_rdev
    except OSError:
        return None
    wanted = os.major(number), os.minor(number)
    candidates = [m for m in mine if mount_device.number(m) == wanted]
    return next(iter(best_first(candidates, root)), None)


def best_first(candidates: Iterable[Mount], root: BoardPath) -> list[Mount]:
    """Sort mounts of one file system: first what shows all of it, at a place that is to stay.

    Those that show a file come last, as mounts that no path leads to.
    """
    return sorted(
        map(mount_top.as_folder, candidates),
        key=lambda one: (
            one.is_of_a_file,
            one.inside.raw != b"/",
            one.is_covered,
            one.is_bound_read_only,
            mounts.is_temporary(str(mounts.relative_to(one.point, root))),
        ),
    )
