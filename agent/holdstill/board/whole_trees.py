"""Partitions of which the board sees folders, not the top: / is one of several systems on it.

Such a file system is captured from its top, by a second mount of it that nobody else sees, so
that a rebuild puts every folder where the boot looks for it.
"""

from __future__ import annotations

import os
import stat
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import layout, mount_top, mounts, private_mount
from holdstill.errors import PauseError
from holdstill.model import tree_views
from holdstill.model.tree_views import MOST, TreeView
from holdstill.system import file_status, files

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.board.mounts import Mount
    from holdstill.model.paths import BoardPath

_KINDS = frozenset({"ext4", "xfs", "f2fs"})
"""Of a btrfs each subvolume is such a tree: `btrfs_subvolumes` looks at these."""


def with_views(board: BoardLayout, root: BoardPath, all_mounts: tuple[Mount, ...]) -> BoardLayout:
    """Return a layout that knows which folders of its partitions the board sees.

    One whose top this kernel does not show is left as it is, and the check for completeness tells
    what it lacks.

    Args:
        board: with partitions only.
        root: where the board's root is mounted on this system.
        all_mounts: what is mounted.
    """
    mine = [mount for mount in all_mounts if mounts.is_below(mount.point, root)]
    layer = layout.layer_of_root(root, all_mounts)
    if layer is not None:
        # It is what is / on the disk, wherever the layer itself is mounted.
        mine = [mount for mount in mine if mount.point != root]
    parts = tuple(_seen(part, root, mine, layer) for part in board.parts)
    many = tuple(
        f"{len(part.views)} folders of partition {part.label} are mounted at places of their own: "
        f"a capture notes where the first {MOST} are, all of it is captured"
        for part in parts
        if len(part.views) > MOST
    )
    return replace(board, parts=parts, warnings=(*board.warnings, *many))


def check_unchanged(board: BoardLayout, root: BoardPath, now: tuple[Mount, ...]) -> None:
    """Check that the folder that is / was not renamed, so that another may have its name.

    Of other folders only the names would be wrong: containers come and go.

    Args:
        board: with views.
        root: where the board's root is mounted on this system.
        now: what is mounted.

    Raises:
        PauseError: one was.
    """
    after = {part.number: part.views for part in with_views(board, root, now).parts}
    for part in board.parts:
        was, now_is = (tree_views.root_folder(views) for views in (part.views, after[part.number]))
        check_root_folder(part, was, now_is)


def check_root_folder(part: BoardPart, was: str, now: str) -> None:
    """Check that the folder of a partition that is / is the one that it was.

    Raises:
        PauseError: it is not.
    """
    if was != now:
        raise PauseError(
            f"/ was {was or 'no folder'} of partition {part.label} when the capture began, "
            f"and is {now or 'something else'} now",
            hint="nothing was sealed; an update, perhaps: run the capture again",
        )


def _seen(
    part: BoardPart, root: BoardPath, mine: Sequence[Mount], layer: Mount | None
) -> BoardPart:
    """Return a partition with its views, if folders of it are seen."""
    is_layer = layer is not None and layout.is_on(part, layer)
    own = [
        mount
        for mount in mine
        if layout.is_on(part, mount) and not mount.is_covered and _shows_a_folder(mount)
    ]
    if is_layer and layer is not None:
        own.insert(0, replace(layer, point=root))
    if private_mount.kind_of(part) not in _KINDS or not own or not part.device.is_block_device():
        return part
    mount = layout.best_first(own, root)[0]
    whole = mount if mount.inside.raw == b"/" else None
    if is_layer and mount.point == root:
        mount = layer or mount  # where it can be opened
    folders = [one for one in own if one is not whole]
    if not folders:
        return part
    found = replace(part, mount=mount, place=layout.place_of(whole, root) if whole else "")
    try:
        with mount_top.opened(mount) if whole else mount_top.whole(mount) as top:
            views = tuple(views_of(folders, root, top))
    except OSError:
        return part
    return replace(found, views=views) if views else part


def _shows_a_folder(mount: Mount) -> bool:
    return Path(os.fsdecode(mount.point.raw)).is_dir()


def views_of(own: Sequence[Mount], root: BoardPath, top: int) -> Iterator[TreeView]:
    """Yield where folders are seen, the shortest places first; of one the last mount counts.

    Args:
        own: mounts of them; inside: from the top.
        root: where the board's root is mounted on this system.
        top: the open top of their tree.
    """
    by_place = {mount.point: mount for mount in own}
    ordered = sorted(by_place.values(), key=lambda one: (one.point.raw.count(b"/"), one.point))
    for mount in [mount for mount in ordered if _is_folder(top, mount)]:
        inside = mount.inside.raw.strip(b"/").decode()
        yield TreeView(inside=inside, place=mounts.relative_to(mount.point, root).raw.decode())


def _is_folder(top: int, mount: Mount) -> bool:
    """Whether a mount shows a folder, and by names that can be written as text."""
    inside = mount.inside.raw.strip(b"/")
    try:
        if not (inside.decode().isprintable() and mount.point.raw.decode().isprintable()):
            return False
        handle = files.open_beneath(top, inside, os.O_PATH | os.O_NOFOLLOW)
    except (OSError, UnicodeDecodeError):
        return False
    try:
        return stat.S_ISDIR(file_status.of_handle(handle).st_mode)
    finally:
        os.close(handle)
