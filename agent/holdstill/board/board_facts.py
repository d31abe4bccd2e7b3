"""What the check for completeness knows of a board: plain facts, whoever found them out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdstill.board.mounts import Mount
    from holdstill.model.layout import FileSystem
    from holdstill.model.system_tables import CrypttabEntry, FstabEntry

Number = tuple[int, int]
"""Major and minor number of a device."""


@dataclass(frozen=True)
class LoopFile:
    """The file that a loop device has its bytes in.

    Attributes:
        path: as the kernel writes it; from its own file system's top where that is out of sight.
        number: of the device of the file system that it is on; None where that cannot be told.
        is_deleted: whether its name is gone, so that nothing that copies files will find it.
    """

    path: str
    number: Number | None
    is_deleted: bool = False

    def __str__(self) -> str:
        return f"the {'deleted ' if self.is_deleted else ''}file {self.path}"


@dataclass(frozen=True)
class BlockDevice:
    """One block device, as the kernel describes it.

    Attributes:
        disk: name of the whole disk; its own for one that is no partition.
        below: names of the devices that it is made of (mapping, array, cache).
        mapping: what kind of mapping it is: `LUKS` for an opened container, `CRYPT` for another
            that is unlocked, `LVM`, `mirror` for an array of which each member has all, `md` for
            another, ...; "" for none.
        file: of a loop device, and of a partition of one.
        is_removable: whether its medium is meant to be taken out.
    """

    name: str
    number: Number
    disk: str
    below: tuple[str, ...] = ()
    mapping: str = ""
    file: LoopFile | None = None
    is_removable: bool = False


@dataclass(frozen=True)
class PlacedMount:
    """A mount below the board's root.

    Attributes:
        number: of its block device, (0, n) for none.
        place: its point, as seen from the board's root.
    """

    mount: Mount
    number: Number
    place: str


@dataclass(frozen=True)
class Subvolume:
    """A subvolume of a btrfs, by its path from the top; the top itself is none."""

    path: str
    is_snapshot: bool = False
    is_captured: bool = False
    id: int = 0


@dataclass(frozen=True)
class PartFacts:
    """One partition of the captured disk.

    Attributes:
        id: number of its device, None where the kernel has none.
        names: what fstab(5) may call it: UUID=, LABEL=, PARTUUID=, PARTLABEL=.
        mount: the mount that is captured; place: as seen from the board's root.
        is_whole: whether it is captured from its top, not by this mount: a btrfs with subvolumes,
            or a partition that is seen by its folders.
        is_raw: whether its bytes are copied, not its files; is_left_out: neither.
        holders: names of the devices that are made of it.
        subvolumes: of a btrfs, all of them.
        members: names of the devices that a btrfs is spread over.
        twin: of a member of a mirror, the part with which the mirror's content is captured.
    """

    number: int
    device: str
    file_system: FileSystem
    id: Number | None = None
    names: frozenset[str] = frozenset()
    mount: Mount | None = None
    is_whole: bool = False
    place: str = ""
    is_raw: bool = False
    is_left_out: bool = False
    holders: tuple[str, ...] = ()
    subvolumes: tuple[Subvolume, ...] = ()
    members: tuple[str, ...] = ()
    twin: int = 0


@dataclass(frozen=True)
class UsedGap:
    """Bytes of the disk, outside all partitions, that are not zero.

    Attributes:
        start, end: in bytes, the first and behind the last of them.
        after: the partition that they follow; 0 for before the first.
    """

    start: int
    end: int
    after: int


@dataclass(frozen=True)
class UncapturedArea:
    """An area of an eMMC beside its sectors that holds something, and why it is not captured."""

    device: str
    why: str


@dataclass(frozen=True)
class DiskFacts:
    """One captured disk.

    Attributes:
        device: its node, or a card image.
        gaps: what is between its partitions.
        boot_areas: its own areas beside its sectors (eMMC) that are not captured.
        has_protected_memory: whether it has one that nobody can copy.
        has_logical: whether it has logical partitions (MBR).
    """

    device: str
    gaps: tuple[UsedGap, ...] = ()
    boot_areas: tuple[UncapturedArea, ...] = ()
    has_protected_memory: bool = False
    has_logical: bool = False

    @property
    def name(self) -> str:
        """The kernel's name, for a device."""
        return self.device.removeprefix("/dev/")


@dataclass(frozen=True)
class Doubt:
    """Something that could not be found out."""

    what: str
    why: str


@dataclass(frozen=True)
class ExcludedTree:
    """A file system, or a folder of one, that is seen where the owner leaves all out.

    Attributes:
        folder: from the file system's top; "" for the whole.
        pattern: the one in `exclude` that says so.
        is_kept: whether it is captured nevertheless.
    """

    device: str
    folder: str
    place: str
    pattern: str
    is_kept: bool


@dataclass(frozen=True)
class BoardFacts:
    """What is known of a board.

    Attributes:
        disks: the captured ones, the one that the board boots from first.
        mounts: below the board's root.
        root_argument: root= of the running kernel's command line; "" for none, or none of this
            board's.
        devices_of: the device that a name in fstab, crypttab or root= leads to now.
        store: place of the mount that the keeper's store is on; "" for none of these.
        left_out_files: paths of loop devices' files, on captured file systems, that stay out.
        left_out_root: the one of these that / is in, in words; "" for none.
        captured_keys: paths of key files that crypttab names, or may, and that are captured.
        excluded: trees that `exclude` in the settings leaves out as a whole.
        doubts: what could not be found out.
    """

    disks: tuple[DiskFacts, ...]
    parts: tuple[PartFacts, ...]
    mounts: tuple[PlacedMount, ...] = ()
    devices: tuple[BlockDevice, ...] = ()
    fstab: tuple[FstabEntry, ...] = ()
    crypttab: tuple[CrypttabEntry, ...] = ()
    root_argument: str = ""
    devices_of: Mapping[str, Number] = field(default_factory=dict)
    store: str = ""
    left_out_files: frozenset[str] = frozenset()
    left_out_root: str = ""
    captured_keys: frozenset[str] = frozenset()
    excluded: tuple[ExcludedTree, ...] = ()
    doubts: tuple[Doubt, ...] = ()
