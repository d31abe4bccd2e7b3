"""The subvolumes of a mounted btrfs: each a tree of its own, with inodes of its own."""

from __future__ import annotations

import os
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from holdstill.board import layout, mount_top, mounts
from holdstill.errors import PauseError, PreflightError
from holdstill.model.layout import SUBVOLUME_STEP, Other, Subvolume
from holdstill.model.paths import BoardPath
from holdstill.system import files, ioctl, libc

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.board.mounts import Mount

_TOP = (b"subvolid=%d" % ioctl.BTRFS_TOP,)


@dataclass(frozen=True)
class FoundSubvolume:
    """One subvolume.

    Attributes:
        path: from the top of the file system, without a slash at its beginning.
        is_snapshot: whether it was made as one of another subvolume.
    """

    id: int
    path: bytes
    is_snapshot: bool
    is_read_only: bool
    is_default: bool


def find(handle: int) -> list[FoundSubvolume]:
    """Return the subvolumes, but the top, of the btrfs that an open directory is on, by path.

    Raises:
        OSError: they cannot be listed.
    """
    default = ioctl.btrfs_default(handle)
    listed = {volume.id: volume for volume in ioctl.btrfs_subvolumes(handle)}
    names = {
        volume.id: ioctl.btrfs_directory(handle, volume.parent, volume.directory) + volume.name
        for volume in listed.values()
    }
    found = []
    for volume in listed.values():
        path, parent = names[volume.id], volume.parent
        while parent in listed:
            path, parent = names[parent] + b"/" + path, listed[parent].parent
        found.append(
            FoundSubvolume(
                volume.id, path, volume.is_snapshot, volume.is_read_only, volume.id == default
            )
        )
    return sorted(found, key=lambda one: one.path.split(b"/"))


@contextmanager
def opened_top(part: BoardPart) -> Iterator[int]:
    """Hold the top of a mounted btrfs open, through a mount that nobody else sees.

    Raises:
        OSError: the kernel cannot do it; we are not root, or it is too old.
    """
    with ExitStack() as undo:
        mount = libc.new_mount_of_device(b"btrfs", os.fsencode(part.device), _TOP)
        undo.callback(os.close, mount)
        top = os.open(b".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=mount)
        undo.callback(os.close, top)
        yield top


@contextmanager
def opened(top: int, subvolume: Subvolume) -> Iterator[int]:
    """Hold the top of a subvolume open, from the open top of its file system.

    Raises:
        PreflightError: it is not there any more.
    """
    path = subvolume.path.encode()
    try:
        handle = files.open_beneath(top, path, os.O_RDONLY | os.O_DIRECTORY)
    except OSError as error:
        raise PreflightError(
            f"subvolume {subvolume.path} of partition {subvolume.of} cannot be opened: "
            f"{error.strerror}",
            hint="it was there a moment ago; run the capture again",
        ) from error
    try:
        yield handle
    finally:
        os.close(handle)


def with_subvolumes(
    board: BoardLayout,
    root: BoardPath,
    all_mounts: Sequence[Mount],
    *,
    snapshots: bool,
) -> BoardLayout:
    """Return a layout in which each subvolume that is captured is a part of its own.

    Those whose names cannot be written as text, and all of them where the kernel does not show
    the top, are left to the check for completeness, which names them.

    Args:
        board: with partitions only.
        root: where the board's root is mounted on this system.
        all_mounts: what is mounted.
        snapshots: whether those that are not mounted are captured as well.
    """
    mine = [mount for mount in all_mounts if mounts.is_below(mount.point, root)]
    parts = list[layout.BoardPart]()
    for part in board.parts:
        own = [mount for mount in mine if layout.is_on(part, mount)] if _is_mounted(part) else []
        parts += _split(part, own, root, snapshots=snapshots) if own else [part]
    return replace(board, parts=tuple(parts))


def without(board: BoardLayout, words: Collection[str]) -> BoardLayout:
    """Return a layout without the subvolumes that the owner leaves out, and all that is in them.

    Args:
        board: with subvolumes.
        words: numbers, places on the board, and what people call them.
    """
    gone = [
        (part.partition, part.file_system.path)
        for part in board.parts
        if isinstance(part.file_system, Subvolume)
        and not {str(part.number), part.label, part.place}.isdisjoint(words)
        and part.place != "/"
    ]
    kept = [
        part
        for part in board.parts
        if not isinstance(part.file_system, Subvolume)
        or not any(
            part.partition == within and f"{part.file_system.path}/".startswith(f"{path}/")
            for within, path in gone
        )
    ]
    return replace(board, parts=tuple(kept))


def check_unchanged(board: BoardLayout) -> None:
    """Check that the captured subvolumes are those that there are: an instant has one set of them.

    Raises:
        PauseError: one was deleted, moved, replaced, or has other properties now.
    """
    for part in board.parts:
        if not part.is_top or part.mount is None:
            continue
        with mount_top.opened(part.mount) as handle:
            there = {_number(part, volume): _kind(part, volume) for volume in find(handle)}
        for tree in board.parts:
            if tree.partition != part.number or tree is part:
                continue
            if there.get(tree.number) != tree.file_system:
                raise PauseError(
                    f"subvolume {tree.label} was deleted, moved or changed during the capture",
                    hint="nothing was sealed; run the capture again",
                )


def _number(part: BoardPart, volume: FoundSubvolume) -> int:
    return part.number * SUBVOLUME_STEP + volume.id


def _kind(part: BoardPart, volume: FoundSubvolume) -> Subvolume:
    return Subvolume(
        of=part.number,
        path=volume.path.decode(errors="backslashreplace"),
        is_read_only=volume.is_read_only,
        is_default=volume.is_default,
    )


def _is_mounted(part: BoardPart) -> bool:
    is_btrfs = isinstance(part.file_system, Other) and part.file_system.type == "btrfs"
    return is_btrfs and part.mount is not None and part.device.is_block_device()


def _split(
    part: BoardPart, own: Sequence[Mount], root: BoardPath, *, snapshots: bool
) -> list[BoardPart]:
    """Return a partition with its top, and its subvolumes."""
    assert part.mount is not None  # noqa: S101  it is mounted
    try:
        with mount_top.opened(part.mount) as handle:
            found = find(handle)
        if not found:
            return [part]
        with opened_top(part):
            pass
    except OSError:
        return [part]
    own = sorted(own, key=lambda mount: mount.is_covered)
    places = {mount.inside.raw.strip(b"/"): mount for mount in reversed(own)}
    top = places.get(b"")
    place = layout.place_of(top, root) if top else ""
    whole = replace(part, mount=own[0], place=place, is_top=True)
    made = [whole]
    for volume in chosen(found, frozenset(places), snapshots=snapshots):
        mount = places.get(volume.path)
        if volume.id < SUBVOLUME_STEP:
            kind, number = _kind(part, volume), _number(part, volume)
            place = layout.place_of(mount, root) if mount else _seen_at(volume.path, made)
            made.append(replace(whole, number=number, file_system=kind, place=place, is_top=False))
    return made


def chosen(
    found: Sequence[FoundSubvolume], mounted: Collection[bytes], *, snapshots: bool
) -> list[FoundSubvolume]:
    """Return the subvolumes that are captured: each with all those that it is in. Pure.

    Args:
        found: sorted by path.
        mounted: paths that are mounted.
        snapshots: whether snapshots are wanted as such.
    """
    wanted = {one.path for one in found if one.path in mounted or one.is_default or snapshots}
    needed = {path for one in wanted for path in _above(one)}
    known, taken = {one.path for one in found}, set[bytes]()
    for one in found:
        within = [path for path in _above(one.path) if path in known]
        is_asked = one.path in wanted or one.path in needed or not one.is_snapshot
        if is_asked and taken.issuperset(within) and _is_text(one.path):
            taken.add(one.path)
    return [one for one in found if one.path in taken]


def _above(path: bytes) -> list[bytes]:
    """Return the paths of all directories that a path is in."""
    names = path.split(b"/")
    return [b"/".join(names[:count]) for count in range(1, len(names))]


def _seen_at(path: bytes, above: Sequence[BoardPart]) -> str:
    """Return where a subvolume that is not mounted is seen within another; "" if nowhere."""
    for part in reversed(above):
        within = part.file_system.path.encode() if isinstance(part.file_system, Subvolume) else b""
        if part.place and (not within or path.startswith(within + b"/")):
            inside = BoardPath(b"/" + path[len(within) :].lstrip(b"/"))
            return str(mounts.joined(BoardPath(os.fsencode(part.place)), inside))
    return ""


def _is_text(path: bytes) -> bool:
    try:
        return path.decode().isprintable()
    except UnicodeDecodeError:
        return False
