"""The steps of a rebuild, as data: `planner` decides them, `execute_plan` carries them out."""

from __future__ import annotations

from typing import get_args

from holdstill.model.layout import (
    ArrayMember,
    Disk,
    Ext4,
    Fat,
    Luks,
    LvmPv,
    Other,
    Raw,
    Record,
    Subvolume,
    Swap,
)
from holdstill.model.manifest import Attachment, SwapFile


class Step(Record, frozen=True, kw_only=True, tag_field="step"):
    """One action; offsets and sizes in bytes from the start of the target."""


class ClearTables(Step, frozen=True, kw_only=True, tag="clear-tables"):
    """Make the old partition tables invalid: from here on the target is unfinished."""


class PutGap(Step, frozen=True, kw_only=True, tag="put-gap"):
    """Put back what was before the first partition."""

    attachment: Attachment
    disk: Disk


class PutBootArea(Step, frozen=True, kw_only=True, tag="put-boot-area"):
    """Write an eMMC's own area, and read it back.

    Attributes:
        area: boot0, boot1, gp0, ...
        device: its node.
    """

    area: str
    attachment: Attachment
    device: str


class PartStep(Step, frozen=True, kw_only=True):
    """Something to be done to one partition.

    Attributes:
        inside: number of the encrypted container that it is in, which is filled before it is
            encrypted; 0 for none.
    """

    number: int
    offset: int
    size: int
    inside: int = 0


class MakeFat(PartStep, frozen=True, kw_only=True, tag="make-fat"):
    """Make a FAT and fill it."""

    parameters: Fat


class MakeExt4(PartStep, frozen=True, kw_only=True, tag="make-ext4"):
    """Make an ext2, ext3 or ext4 and fill it."""

    parameters: Ext4
    swap_files: tuple[SwapFile, ...] = ()


class NumberedSubvolume(Record, frozen=True, kw_only=True):
    """A subvolume, and the number of its tree in the capture."""

    number: int
    kind: Subvolume


class MakeOther(PartStep, frozen=True, kw_only=True, tag="make-other"):
    """Make a file system with default parameters and fill it."""

    parameters: Other
    swap_files: tuple[SwapFile, ...] = ()
    subvolumes: tuple[NumberedSubvolume, ...] = ()


class MakeSwap(PartStep, frozen=True, kw_only=True, tag="make-swap"):
    """Make a swap area."""

    parameters: Swap


class PutRaw(PartStep, frozen=True, kw_only=True, tag="put-raw"):
    """Put back a partition that was copied as it is."""

    parameters: Raw


class PlacedVolume(Record, frozen=True, kw_only=True):
    """A logical volume, in one piece.

    Attributes:
        first, extents: where it is, and how large, in extents.
        physical: id of the physical volume that it is on.
    """

    name: str
    uuid: str
    first: int
    extents: int
    physical: str


class PlacedPhysical(Record, frozen=True, kw_only=True):
    """A physical volume of a group.

    Attributes:
        size: bytes; first_extent: byte at which the first extent begins.
    """

    uuid: str
    size: int
    first_extent: int


class MakeLvm(PartStep, frozen=True, kw_only=True, tag="make-lvm"):
    """Write what LVM says of itself around its logical volumes.

    Attributes:
        members: the physical volumes of the group, this one among them.
        volumes: the logical volumes of the group.
    """

    parameters: LvmPv
    members: tuple[PlacedPhysical, ...]
    volumes: tuple[PlacedVolume, ...]


class MakeArray(PartStep, frozen=True, kw_only=True, tag="make-array"):
    """Write what makes a partition the one member of a mirror, around its content.

    Attributes:
        content: bytes that the array has.
    """

    parameters: ArrayMember
    content: int


class MakeLuks(PartStep, frozen=True, kw_only=True, tag="make-luks"):
    """Encrypt what was made for the inside of a container, and write it with its header."""

    parameters: Luks


class LeaveEmpty(PartStep, frozen=True, kw_only=True, tag="leave-empty"):
    """Have nothing recognised in a partition that was left out of the capture."""


class Flush(Step, frozen=True, kw_only=True, tag="flush"):
    """Bring everything to the medium, and forget what memory holds of it."""


class ReadBack(Step, frozen=True, kw_only=True, tag="read-back"):
    """Read what was written from the medium and compare."""

    disk: Disk


class WriteTable(Step, frozen=True, kw_only=True, tag="write-table"):
    """Write the partition table: from here on the target is finished."""

    disk: Disk


AnyPartStep = (
    MakeFat
    | MakeExt4
    | MakeOther
    | MakeSwap
    | PutRaw
    | LeaveEmpty
    | MakeLvm
    | MakeArray
    | MakeLuks
)
AnyStep = ClearTables | PutGap | PutBootArea | AnyPartStep | Flush | ReadBack | WriteTable
KINDS: tuple[type[AnyPartStep], ...] = get_args(AnyPartStep)
"""In this order partitions are written."""
