"""A file system that the board has not mounted, mounted where nobody else sees it.

The spare slot of a board with two systems, for example. Nothing may be written to it: a driver
that is told "read-only" may still replay a journal, clean up orphans or note an error, so it gets
a read-only loop device. No process sees the mount, and it ends with us, also when we are killed.
"""

from __future__ import annotations

import errno
import os
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import layout
from holdstill.errors import PreflightError
from holdstill.model.layout import Ext4, Other
from holdstill.system import btrfs_twins, ioctl, libc, read_only_loop

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.layout import BoardLayout, BoardPart

_OPTIONS = {
    # What the superblock wants done about errors may be a panic.
    "ext4": (b"errors=remount-ro",),
    # One that is mounted may have the same UUID.
    "xfs": (b"nouuid",),
    # The top, whatever the default subvolume is.
    "btrfs": (b"subvolid=5",),
}
"""What can be mounted so, and with which options; ext2 and ext3 by the driver of ext4."""
_NEEDS_REPLAY = {
    "ext4": frozenset({errno.EROFS}),
    "xfs": frozenset({errno.EROFS}),
    "btrfs": frozenset({errno.EROFS, errno.EIO}),
}
"""What mounting a device that cannot be written fails with where a journal is to be replayed."""


@dataclass(frozen=True)
class PrivateMount:
    """A mounted file system.

    Attributes:
        root: its open root directory.
        device: the read-only device that it is mounted from.
    """

    root: int
    device: Path


def obstacle(board: BoardLayout, part: BoardPart) -> str:
    """Mount an unmounted partition for a moment; return why that does not work, "" if it does."""
    if kind_of(part) not in _OPTIONS:
        return f"{kind_of(part)} can be read only while the board has it mounted"
    if kind_of(part) == "btrfs" and _has_twin(board, part):
        return "another partition has the same UUID"
    try:
        with opened(board, part):
            return ""
    except PreflightError as error:
        return str(error)
    except OSError as error:
        return f"it cannot be mounted read-only: {error.strerror}"


def _has_twin(board: BoardLayout, part: BoardPart) -> bool:
    """Whether the kernel would take another partition's btrfs for this one."""
    return any(
        isinstance(other.file_system, Other)
        and isinstance(part.file_system, Other)
        and other.file_system.uuid == part.file_system.uuid
        for other in board.parts
        if other.number != part.number
    )


def kind_of(part: BoardPart) -> str:
    """Return the kernel's name for a partition's file system; "" for none that has files."""
    match part.file_system:
        case Ext4():
            return "ext4"
        case Other(type=kind):
            return kind
        case _:
            return ""


@contextmanager
def opened(board: BoardLayout, part: BoardPart) -> Iterator[PrivateMount]:
    """Hold an unmounted file system mounted for the length of the block.

    Other processes may mount, or write to, the partition meanwhile: they are not kept from it. A
    kernel before 6.7 has one exception, a btrfs, which it does not mount from two devices.

    Raises:
        PreflightError: it would not show all of its files.
        OSError: the kernel cannot do it; we are not root, or it is too old, or it is damaged.
    """
    kind = kind_of(part)
    with ExitStack() as undo:
        source = undo.enter_context(layout.opened_part(board, part))
        if part.device.is_block_device():
            # Else we may see what was there before somebody wrote it by the disk's own device.
            with suppress(OSError):
                ioctl.drop_device_cache(source.handle)
        device = undo.enter_context(
            read_only_loop.attached(source.handle, offset=source.start, size=part.size)
        )
        if kind == "btrfs":
            undo.callback(btrfs_twins.forget, device)
        mount = _mounted(kind, device)
        undo.callback(os.close, mount)
        root = os.open(b".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=mount)
        undo.callback(os.close, root)
        if kind == "btrfs" and ioctl.btrfs_has_subvolumes(root):
            raise PreflightError("it has subvolumes, which are more than one tree of files")
        yield PrivateMount(root, device)


def _mounted(kind: str, device: Path) -> int:
    try:
        return libc.new_mount_of_device(kind.encode(), os.fsencode(device), _OPTIONS[kind])
    except OSError as error:
        # Without it, an xfs whose power was cut may show no files at all.
        if error.errno in _NEEDS_REPLAY[kind]:
            raise PreflightError("it was not unmounted cleanly: its journal is needed") from error
        raise
