"""How each partition is captured, and what that promises: inspect shows it, capture does it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.board import layout
from holdstill.model import sizes
from holdstill.model.layout import Container, Ext4, Fat, Other, Raw, Swap
from holdstill.model.manifest import Grade

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.board.layout import BoardPart

FREEZABLE = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs"})
"""Mounted file systems for which the kernel has a freeze method (fs/ioctl.c, FIFREEZE)."""


class CaptureMethod(StrEnum):
    """What is done with a partition."""

    FROZEN = "frozen"
    """Files, copied live and completed while the file system is frozen."""
    READ_ONLY = "read-only"
    """Files of a file system that is mounted read-only."""
    REMOUNTED = "remounted"
    """Files; made read-only for the pause, since the kernel cannot freeze it."""
    SETTLED = "settled"
    """Files, copied until two passes agree."""
    LIVE = "live"
    """Files of a plain directory, which nothing can hold still."""
    UNMOUNTED = "unmounted"
    """Files of a file system that is not mounted, read without the kernel."""
    RAW = "raw"
    """The partition's bytes."""
    IDENTITY = "identity"
    """Only what is needed to make it again (swap)."""
    NOTHING = "nothing"
    """Holds only other partitions."""
    TOO_LARGE = "too large"
    """Would have to be copied raw, and is above the limit."""


HAS_FILES = frozenset(
    {
        CaptureMethod.FROZEN,
        CaptureMethod.READ_ONLY,
        CaptureMethod.REMOUNTED,
        CaptureMethod.SETTLED,
        CaptureMethod.LIVE,
        CaptureMethod.UNMOUNTED,
    }
)


@dataclass(frozen=True)
class MethodChoice:
    """The way for one partition, the grade it can reach, and why."""

    method: CaptureMethod
    grade: Grade
    why: str


def choose_all(
    parts: Iterable[BoardPart], *, raw_limit: int, remount_read_only: bool
) -> dict[int, MethodChoice]:
    """Decide for every partition; by its number."""
    return {
        part.number: choose(part, raw_limit=raw_limit, remount_read_only=remount_read_only)
        for part in parts
    }


def choose(part: BoardPart, *, raw_limit: int, remount_read_only: bool) -> MethodChoice:
    """Decide how a partition is captured."""
    match part.file_system:
        case Container():
            return MethodChoice(
                CaptureMethod.NOTHING, Grade.READ_ONLY, "holds the logical partitions"
            )
        case Swap():
            return MethodChoice(
                CaptureMethod.IDENTITY, Grade.READ_ONLY, "swap: made anew with the same UUID"
            )
        case Raw():
            return _raw(part, raw_limit)
        case Ext4() | Fat() | Other() if part.mount is not None:
            if part.mount.type == layout.PLAIN_DIRECTORY:
                return MethodChoice(
                    CaptureMethod.LIVE, Grade.LIVE, "a plain directory cannot be held still"
                )
            if part.mount.is_read_only:
                return MethodChoice(CaptureMethod.READ_ONLY, Grade.READ_ONLY, "mounted read-only")
            if part.mount.type in FREEZABLE:
                return MethodChoice(
                    CaptureMethod.FROZEN, Grade.POINT_IN_TIME, f"{part.mount.type} can be frozen"
                )
            if remount_read_only:
                why = f"{part.mount.type} cannot be frozen: made read-only for the pause"
                return MethodChoice(CaptureMethod.REMOUNTED, Grade.READ_ONLY, why)
            why = f"{part.mount.type} cannot be frozen, and remount_read_only is off"
            return MethodChoice(CaptureMethod.SETTLED, Grade.SETTLED, why)
        case Fat():
            return MethodChoice(
                CaptureMethod.UNMOUNTED, Grade.READ_ONLY, "not mounted: read by our own reader"
            )
        case Ext4() | Other():
            return _raw(part, raw_limit)


def _raw(part: BoardPart, limit: int) -> MethodChoice:
    if part.size > limit:
        why = (
            f"{sizes.human(part.size)} without files that can be read is above raw_limit "
            f"({sizes.human(limit)}): mount it, or raise raw_limit"
        )
        return MethodChoice(CaptureMethod.TOO_LARGE, Grade.LIVE, why)
    if part.mount is not None:
        return MethodChoice(
            CaptureMethod.RAW, Grade.LIVE, "mounted, of a kind we cannot read: copied raw, live"
        )
    if part.holders:
        why = f"in use as {', '.join(part.holders)}: copied raw while it changes"
        return MethodChoice(CaptureMethod.RAW, Grade.LIVE, why)
    return MethodChoice(
        CaptureMethod.RAW, Grade.READ_ONLY, "no files that can be read: copied as it is"
    )
