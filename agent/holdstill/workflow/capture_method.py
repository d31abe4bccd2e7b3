"""How each partition is captured, and what that promises: inspect shows it, capture does it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from holdstill.board import layout, mount_top, private_mount
from holdstill.errors import PreflightError
from holdstill.filesystems.ext4 import ext4_parameters, external_journal
from holdstill.model import sizes
from holdstill.model.layout import (
    ARRAY,
    SUBVOLUME_STEP,
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
)
from holdstill.model.manifest import Grade
from holdstill.system import byte_source

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.board.mounts import Mount
    from holdstill.model.settings import BoardSettings
    from holdstill.system.byte_source import ByteSource

FREEZABLE = frozenset({"ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs"})
"""Mounted file systems for which the kernel has a freeze method (fs/ioctl.c, FIFREEZE)."""


IMMUTABLE = frozenset({"squashfs", "erofs"})
"""File systems that no kernel can write to (Linux Documentation/filesystems, one file each)."""


EXTERNAL_JOURNAL = "jbd"
"""What blkid calls the journal of an ext3 or ext4 elsewhere."""


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
    PRIVATE = "private mount"
    """Files of a file system that is not mounted, through a mount that nobody else sees."""
    RAW = "raw"
    """The partition's bytes."""
    IDENTITY = "identity"
    """Only what is needed to make it again (swap)."""
    NOTHING = "nothing"
    """Holds only other partitions."""
    LEFT_OUT = "left out"
    """Nothing, since the settings say so, or another member of the same mirror has the same."""
    REFUSED = "refused"
    """Nothing: what could be captured of it could not be rebuilt, or it is too large for that."""


HAS_FILES = frozenset(
    {
        CaptureMethod.FROZEN,
        CaptureMethod.READ_ONLY,
        CaptureMethod.REMOUNTED,
        CaptureMethod.SETTLED,
        CaptureMethod.LIVE,
        CaptureMethod.UNMOUNTED,
        CaptureMethod.PRIVATE,
    }
)


@dataclass(frozen=True)
class MethodChoice:
    """The way for one partition, the grade it can reach, and why."""

    method: CaptureMethod
    grade: Grade
    why: str


def choose_all(board: BoardLayout, settings: BoardSettings) -> dict[int, MethodChoice]:
    """Decide for every partition; by its number. What is not mounted is tried.

    Raises:
        PreflightError: `leave_out` names a partition that cannot be left out.
    """
    _check_left_out(board, left_out(settings))
    return {part.number: _chosen(board, part, settings) for part in board.parts}


def left_out(settings: BoardSettings) -> tuple[int, ...]:
    """Return the partitions that the owner leaves out, by number."""
    return tuple(number for number in settings.leave_out if isinstance(number, int))


def _check_left_out(board: BoardLayout, numbers: tuple[int, ...]) -> None:
    parts = {part.number: part for part in board.parts}
    for number in numbers:
        if number >= SUBVOLUME_STEP:
            continue  # a subvolume, which is no part any more
        if number not in parts or isinstance(parts[number].file_system, Container):
            known = ", ".join(map(str, parts))
            raise PreflightError(
                f"leave_out: {board.named} has no partition {number} with contents",
                hint=f"it has {known}; `holdstill inspect` shows what each of them is",
            )
        inside = board.inside(number)
        if any(board.holds_root(part) for part in board.parts if part.partition in inside):
            raise PreflightError(
                f"leave_out: partition {number} holds the root file system",
                hint="a card without it does not boot; use `exclude` for folders",
            )


def _chosen(board: BoardLayout, part: BoardPart, settings: BoardSettings) -> MethodChoice:
    if any({part.number, part.partition} & board.inside(n) for n in left_out(settings)):
        return MethodChoice(CaptureMethod.LEFT_OUT, Grade.READ_ONLY, "as `leave_out` says")
    if part.twin:
        why = (
            f"it is, or was, of the same mirror as partition {part.twin}, with which that is "
            "captured: it comes back empty"
        )
        return MethodChoice(CaptureMethod.LEFT_OUT, Grade.READ_ONLY, why)
    if _is_journal_of_the_running(board, part):
        why = "the journal of what is mounted, which gets one inside when it is rebuilt"
        return MethodChoice(CaptureMethod.IDENTITY, Grade.READ_ONLY, why)
    if part.mount is None and (file := board.files_in_use.get(part.number)):
        why = f"{file} on it is in use, and it is mounted where nobody sees it: copied raw, live"
        return MethodChoice(CaptureMethod.RAW, Grade.LIVE, why)
    return choose(
        part,
        raw_limit=settings.raw_limit,
        remount_read_only=settings.remount_read_only,
        obstacle=_obstacle(board, part),
    )


def _is_journal_of_the_running(board: BoardLayout, part: BoardPart) -> bool:
    """Whether it is a journal, and all file systems whose journal it is are mounted.

    One that is not may need what is in it.
    """
    if not (isinstance(part.file_system, Raw) and part.file_system.type == EXTERNAL_JOURNAL):
        return False
    users = [
        other
        for other in board.parts
        if isinstance(other.file_system, Ext4)
        and "has_journal" in other.file_system.features
        and not other.file_system.journal_blocks
        and _may_be_journal_of(board, part, other)
    ]
    return bool(users) and all(other.mount is not None for other in users)


def _may_be_journal_of(board: BoardLayout, journal: BoardPart, user: BoardPart) -> bool:
    own, wanted = (
        _from_disk(board, part, read)
        for part, read in (
            (journal, external_journal.read_own_uuid),
            (user, external_journal.read_uuid_of_journal),
        )
    )
    return not own or not wanted or own == wanted


def _from_disk(board: BoardLayout, part: BoardPart, read: Callable[[ByteSource], bytes]) -> bytes:
    try:
        with byte_source.opened(board.disk_of(part).device) as source:
            return read(source.window(part.offset, part.size))
    except (OSError, EOFError):
        return b""


def _obstacle(board: BoardLayout, part: BoardPart) -> str:
    """Try what is captured by a mount of our own; return why that does not work, "" if it does."""
    if part.is_top or isinstance(part.file_system, Subvolume):
        return ""  # it was opened already when its subvolumes were found
    if part.mount is not None:
        return mount_top.obstacle(part.mount) if part.mount.is_covered else ""
    is_tried = not part.holders and bool(private_mount.kind_of(part))
    return private_mount.obstacle(board, part) if is_tried else ""


def choose(
    part: BoardPart, *, raw_limit: int, remount_read_only: bool, obstacle: str = ""
) -> MethodChoice:
    """Decide how a partition is captured.

    Args:
        part: the partition.
        raw_limit: most bytes of one without a known file system that is copied as it is.
        remount_read_only: whether what cannot be frozen may be made read-only.
        obstacle: why a file system to which no path leads cannot be opened; "" if it can.
    """
    if part.obstacle:
        why = f"{part.obstacle}; or leave it out (`leave_out: [{part.number}]`)"
        return MethodChoice(CaptureMethod.REFUSED, Grade.LIVE, why)
    match part.file_system:
        case LvmPv():
            why = "made again; its logical volumes are captured each as what it holds"
            return MethodChoice(CaptureMethod.IDENTITY, Grade.READ_ONLY, why)
        case Luks():
            why = "made again with another key; what it holds is captured as what that is"
            return MethodChoice(CaptureMethod.IDENTITY, Grade.READ_ONLY, why)
        case ArrayMember():
            why = (
                "made again as the one member of its mirror; what that holds is captured as what "
                "that is"
            )
            return MethodChoice(CaptureMethod.IDENTITY, Grade.READ_ONLY, why)
        case Container():
            return MethodChoice(
                CaptureMethod.NOTHING, Grade.READ_ONLY, "holds the logical partitions"
            )
        case Swap():
            return MethodChoice(
                CaptureMethod.IDENTITY, Grade.READ_ONLY, "swap: made anew with the same UUID"
            )
        case Raw() as raw:
            return _raw(part, raw, raw_limit)
        case Ext4(features=features) if why := ext4_parameters.not_rebuilt(features):
            return _not_rebuilt(part, why)
        case Ext4() | Fat() | Other() | Subvolume() if part.mount is not None:
            return _mounted(part.mount, obstacle, remount_read_only=remount_read_only)
        case Ext4() | Fat() | Other() | Subvolume() if part.holders:
            return _in_use(part)
        case Fat():
            return MethodChoice(
                CaptureMethod.UNMOUNTED, Grade.READ_ONLY, "not mounted: read by our own reader"
            )
        case Ext4() | Other() | Subvolume() if obstacle:
            why = f"not mounted, and copied as it is: {obstacle}"
            return MethodChoice(CaptureMethod.RAW, Grade.READ_ONLY, why)
        case Ext4() | Other() | Subvolume():
            why = "not mounted: mounted read-only where nobody else sees it"
            return MethodChoice(CaptureMethod.PRIVATE, Grade.READ_ONLY, why)


def _mounted(mount: Mount, obstacle: str, *, remount_read_only: bool) -> MethodChoice:
    """Decide how a mounted file system is captured whose files we can read."""
    if mount.type == layout.PLAIN_DIRECTORY:
        return MethodChoice(
            CaptureMethod.LIVE, Grade.LIVE, "a plain directory cannot be held still"
        )
    if obstacle:
        return MethodChoice(CaptureMethod.RAW, Grade.LIVE, f"copied raw, live: {obstacle}")
    if mount.is_read_only:
        return MethodChoice(CaptureMethod.READ_ONLY, Grade.READ_ONLY, "mounted read-only")
    if mount.type in FREEZABLE:
        return MethodChoice(
            CaptureMethod.FROZEN, Grade.POINT_IN_TIME, f"{mount.type} can be frozen"
        )
    if not remount_read_only:
        why = f"{mount.type} cannot be frozen, and remount_read_only is off"
        return MethodChoice(CaptureMethod.SETTLED, Grade.SETTLED, why)
    if mount.is_covered or mount.is_bound_read_only:
        # mount(8) would make read-only what covers it; or writable, afterwards, what was not.
        state = (
            "covered by another mount" if mount.is_covered else "read-only, unlike others of it"
        )
        why = f"{mount.type} cannot be frozen, and {mount.point} is {state}"
        return MethodChoice(CaptureMethod.SETTLED, Grade.SETTLED, why)
    why = f"{mount.type} cannot be frozen: made read-only for the pause"
    return MethodChoice(CaptureMethod.REMOUNTED, Grade.READ_ONLY, why)


def _in_use(part: BoardPart) -> MethodChoice:
    why = f"in use as {', '.join(part.holders)}: copied raw while it changes"
    return MethodChoice(CaptureMethod.RAW, Grade.LIVE, why)


def _member(part: BoardPart) -> MethodChoice:
    """Refuse a member of an array that runs: its bytes are of no use without the others'."""
    arrays = ", ".join(f"/dev/{name}" for name in part.holders)
    return MethodChoice(
        CaptureMethod.REFUSED,
        Grade.LIVE,
        f"it is a member of the array {arrays}, which cannot be made again, and its bytes change "
        f"while they are copied: leave it out (`leave_out: [{part.number}]`), and have the files "
        f"captured through the array (`disks: [auto, {arrays}]`), which a rebuild makes a plain "
        "file system",
    )


def _not_rebuilt(part: BoardPart, why: str) -> MethodChoice:
    if part.mount is None:
        return MethodChoice(CaptureMethod.RAW, Grade.READ_ONLY, f"copied as it is: {why}")
    return MethodChoice(
        CaptureMethod.REFUSED,
        Grade.LIVE,
        f"{why}: unmount it to have it copied as it is, or leave it out "
        f"(`leave_out: [{part.number}]`)",
    )


def _raw(part: BoardPart, file_system: Raw, limit: int) -> MethodChoice:
    if part.holders and file_system.type == ARRAY:
        return _member(part)
    if file_system.type in IMMUTABLE:
        why = f"{file_system.type} cannot be written to: copied as it is"
        return MethodChoice(CaptureMethod.RAW, Grade.READ_ONLY, why)
    if part.size > limit:
        what = f"of type {file_system.type}" if file_system.type else "without a known file system"
        why = (
            f"{sizes.human(part.size)} {what} is above raw_limit ({sizes.human(limit)}): raise "
            f"raw_limit to copy it as it is, or leave it out (`leave_out: [{part.number}]`)"
        )
        return MethodChoice(CaptureMethod.REFUSED, Grade.LIVE, why)
    if part.mount is not None:
        return MethodChoice(
            CaptureMethod.RAW, Grade.LIVE, "mounted, of a kind we cannot read: copied raw, live"
        )
    if part.holders:
        return _in_use(part)
    return MethodChoice(
        CaptureMethod.RAW, Grade.READ_ONLY, "no files that can be read: copied as it is"
    )
