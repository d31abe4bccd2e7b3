"""A file system that the board has not mounted, mounted where nobody else sees it.

The spare slot of a board with two systems, for example. Nothing may be written to it: a driver
that is told "read-only" may still replay a journal, clean up orphans or note an error, so it gets
a read-only loop device. No process sees the mount, and it ends with us, also when we are killed.
"""

from __future__ import annotations

import errno
import os
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from holdstill.board import layout
from holdstill.errors import PreflightError
from holdstill.model.layout import Ext4, Other
from holdstill.system import btrfs_twins, ioctl, libc, read_only_loop

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.system.byte_source import OpenFile

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
    try:
        with tried(board, part):
            return ""
    except PreflightError as error:
        return str(error)
    except OSError as error:
        return f"it cannot be mounted read-only: {error.strerror}"


@contextmanager
def tried(board: BoardLayout, part: BoardPart) -> Iterator[PrivateMount]:
    """Do as `opened`, while those before it with the same UUID are open, as in a capture.

    Not every kernel mounts two of them at a time.

    Raises:
        PreflightError, OSError: as `opened`.
    """
    with ExitStack() as undo:
        for twin in _twins(board, part):
            if twin.number < part.number and twin.mount is None:
                with suppress(PreflightError, OSError):
                    undo.enter_context(opened(board, replace(twin, is_top=True)))
        yield undo.enter_context(opened(board, part))


def _twins(board: BoardLayout, part: BoardPart) -> Iterator[BoardPart]:
    """Yield the other partitions with a btrfs that has the same UUID."""
    for other in board.parts:
        if (
            other.number != part.number
            and isinstance(other.file_system, Other)
            and isinstance(part.file_system, Other)
            and other.file_system.type == part.file_system.type == "btrfs"
            and other.file_system.uuid == part.file_system.uuid
        ):
            yield other


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
        PreflightError: it would not show all of its files, or those of another one.
        OSError: the kernel cannot do it; we are not root, or it is too old, or it is damaged.
    """
    kind = kind_of(part)
    with ExitStack() as undo:
        source = undo.enter_context(layout.opened_part(board, part))
        if part.device.is_block_device():
            # Else we may see what was there before somebody wrote it by the disk's own device.
            with suppress(OSError):
                ioctl.drop_device_cache(source.handle)
        if kind == "btrfs":
            _prepare_btrfs(board, part, source)
        device = undo.enter_context(
            read_only_loop.attached(source.handle, offset=source.start, size=part.size)
        )
        if kind == "btrfs":
            undo.callback(btrfs_twins.forget, device)
        mount = _mounted(kind, device)
        undo.callback(os.close, mount)
        root = os.open(b".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=mount)
        undo.callback(os.close, root)
        if kind == "btrfs":
            _check_btrfs(part, root, device)
        yield PrivateMount(root, device)


def _prepare_btrfs(board: BoardLayout, part: BoardPart, source: OpenFile) -> None:
    """Have the kernel take the device that is to be mounted for what it is.

    Raises:
        PreflightError: it is not all of its file system.
    """
    if btrfs_twins.device_count(source) != 1:
        # Nothing is forgotten then: the board needs all of them known to mount it.
        raise PreflightError("its btrfs is spread over several devices")
    for known in (part, *_twins(board, part)):
        btrfs_twins.forget(known.device)


def _check_btrfs(part: BoardPart, root: int, device: Path) -> None:
    """Check that a btrfs is that on a device, and that all of its files are asked for.

    Raises:
        PreflightError: it is not, or they are not.
    """
    if not btrfs_twins.is_on(root, device):
        raise PreflightError("the kernel takes another device with the same UUID for it")
    if not part.is_top and ioctl.btrfs_has_subvolumes(root):
        raise PreflightError("it has subvolumes that cannot be captured as trees of files")


def _mounted(kind: str, device: Path) -> int:
    try:
        return libc.new_mount_of_device(kind.encode(), os.fsencode(device), _OPTIONS[kind])
    except OSError as error:
        # Without it, an xfs whose power was cut may show no files at all.
        if error.errno in _NEEDS_REPLAY[kind]:
            raise PreflightError("it was not unmounted cleanly: its journal is needed") from error
        if kind == "btrfs" and error.errno == errno.EEXIST:
            raise PreflightError("another device with the same UUID is mounted") from error
        raise
