"""The subvolumes of a btrfs, mounted or not: each a tree of its own, with inodes of its own."""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.board import (
    found_subvolumes,
    layout,
    mount_top,
    mounts,
    private_mount,
    whole_trees,
)
from holdstill.errors import PauseError, PreflightError
from holdstill.model import tree_views
from holdstill.model.layout import SUBVOLUME_STEP, Subvolume
from holdstill.model.paths import BoardPath
from holdstill.system import files

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

    from holdstill.board.found_subvolumes import FoundSubvolume
    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.board.mounts import Mount


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

    Of a mounted btrfs, those whose names cannot be written as text, and all of them where the
    kernel does not show the top, are left to the check for completeness, which names them. One
    that is not mounted stays whole then: it can be copied as it is.

    Args:
        board: with partitions only.
        root: where the board's root is mounted on this system.
        all_mounts: what is mounted.
        snapshots: whether those that are not mounted are captured as well.
    """
    mine = [mount for mount in all_mounts if mounts.is_below(mount.point, root)]
    parts = list[layout.BoardPart]()
    for part in board.parts:
        if private_mount.kind_of(part) != "btrfs" or part.holders:
            parts.append(part)
        elif part.mount is None:
            parts += _split_unmounted(board, part, snapshots=snapshots)
        else:
            own = [mount for mount in mine if layout.is_on(part, mount)]
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


def check_unchanged(board: BoardLayout, root: BoardPath, now: Sequence[Mount]) -> None:
    """Check that the captured subvolumes are those that there are: an instant has one set of them.

    Args:
        board: with subvolumes.
        root: where the board's root is mounted on this system.
        now: what is mounted.

    Raises:
        PauseError: one was deleted, moved, replaced, or has other properties now; or another
            folder has the name of that which was /.
    """
    for part in board.parts:
        if private_mount.kind_of(part) != "btrfs" or part.mount is None:
            continue
        _check_root_folder(board, part, root, now)
        if not part.is_top:
            continue
        with mount_top.whole(part.mount) as handle:
            found = found_subvolumes.find(handle)
        there = {_number(part, volume): _kind(part, volume) for volume in found}
        for tree in board.parts:
            if tree.partition != part.number or tree is part:
                continue
            if there.get(tree.number) != tree.file_system:
                raise PauseError(
                    f"subvolume {tree.label} was deleted, moved or changed during the capture",
                    hint="nothing was sealed; run the capture again",
                )


def _check_root_folder(
    board: BoardLayout, part: BoardPart, root: BoardPath, now: Sequence[Mount]
) -> None:
    trees = [tree for tree in board.parts if tree.partition == part.number]
    was = [tree_views.root_folder(tree.views) for tree in trees]
    if part.number != part.partition or not any(was) or part.mount is None:
        return
    mine = [one for one in now if mounts.is_below(one.point, root) and layout.is_on(part, one)]
    with mount_top.whole(part.mount) as top:
        after = list(_with_views(trees, layout.best_first(mine, root), root, top))
    whole_trees.check_root_folder(
        part, "".join(was), "".join(tree_views.root_folder(tree.views) for tree in after)
    )


def check_as_found(part: BoardPart, top: int) -> None:
    """Check that one that is not mounted has the subvolumes still that were found in it.

    Raises:
        PreflightError: somebody has changed them since.
    """
    if part.is_top and tuple(found_subvolumes.find(top)) != part.subvolumes:
        raise PreflightError(
            f"the subvolumes of {part.device} have changed since they were listed",
            hint="somebody has mounted it meanwhile; run this again",
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


def _split(
    part: BoardPart, own: Sequence[Mount], root: BoardPath, *, snapshots: bool
) -> list[BoardPart]:
    """Return a mounted partition with its top, and its subvolumes."""
    assert part.mount is not None  # noqa: S101  it is mounted
    try:
        with mount_top.opened(part.mount) as handle:
            found = found_subvolumes.find(handle)
        own = layout.best_first(own, root)
        places = {mount.inside.raw.strip(b"/"): mount for mount in reversed(own)}
        known = {b"", *(volume.path for volume in found)}
        if not found and known.issuperset(places):
            return [part]
        with mount_top.whole(part.mount) as top:
            made = _trees(replace(part, mount=own[0]), places, root, found, snapshots=snapshots)
            return list(_with_views(made, own, root, top))
    except OSError:
        return [part]


def _trees(
    part: BoardPart,
    places: Mapping[bytes, Mount],
    root: BoardPath,
    found: Sequence[FoundSubvolume],
    *,
    snapshots: bool,
) -> list[BoardPart]:
    """Return a file system's top and subvolumes, each with the place where it is seen."""
    top = places.get(b"")
    place = layout.place_of(top, root) if top else ""
    whole = replace(part, place=place, is_top=bool(found))
    made = [whole]
    tops = [b"", *(volume.path for volume in found)]
    used = frozenset(_tree_of(path, tops) for path in places)
    for volume in chosen(found, used, snapshots=snapshots):
        mount = places.get(volume.path)
        place = layout.place_of(mount, root) if mount else _seen_at(volume.path, made)
        made.append(_tree(whole, volume, place))
    return made


def _with_views(
    trees: Sequence[BoardPart], own: Sequence[Mount], root: BoardPath, top: int
) -> Iterator[BoardPart]:
    """Yield the trees, with the folders of them that are mounted where / is one of these.

    The same goes for a tree that is seen by its folders alone.
    """
    tops = {tree.tree_path.encode(): tree for tree in trees}
    for path, tree in tops.items():
        inside = [
            replace(mount, inside=BoardPath(mount.inside.raw[len(path) + bool(path) :]))
            for mount in own
            if not mount.is_covered and _tree_of(mount.inside.raw.strip(b"/"), tops) == path
        ]
        folders = [mount for mount in inside if mount.inside.raw.strip(b"/")]
        if not folders or not (not tree.place or any(one.point == root for one in folders)):
            yield tree
            continue
        with _opened_tree(top, tree) as handle:
            yield replace(tree, views=tuple(whole_trees.views_of(folders, root, handle)))


@contextmanager
def _opened_tree(top: int, tree: BoardPart) -> Iterator[int]:
    if isinstance(tree.file_system, Subvolume):
        with opened(top, tree.file_system) as handle:
            yield handle
    else:
        yield top


def _tree_of(path: bytes, tops: Collection[bytes]) -> bytes:
    """Return the deepest of these trees that a path of the file system is in."""
    return max((top for top in tops if tree_views.is_within(path, top)), key=len)


def _split_unmounted(board: BoardLayout, part: BoardPart, *, snapshots: bool) -> list[BoardPart]:
    """Return a partition that is not mounted with its top, and its subvolumes.

    It stays whole if one that is wanted would be missing.
    """
    whole = replace(part, is_top=True)
    try:
        with private_mount.tried(board, whole) as mount:
            found = found_subvolumes.find(mount.root)
    except (OSError, PreflightError):
        return [part]
    # Nobody knows what a slot boots from: only what is read-only is surely a snapshot kept as one.
    used = frozenset(one.path for one in found if one.is_snapshot and not one.is_read_only)
    taken = chosen(found, used, snapshots=snapshots)
    wanted = chosen(found, used, snapshots=snapshots, is_named=lambda _: True)
    if not found or taken != wanted:
        return [part]
    whole = replace(whole, subvolumes=tuple(found))
    return [whole, *(_tree(whole, volume, "") for volume in taken)]


def _tree(whole: BoardPart, volume: FoundSubvolume, place: str) -> BoardPart:
    return replace(
        whole,
        number=_number(whole, volume),
        file_system=_kind(whole, volume),
        place=place,
        is_top=False,
        subvolumes=(),
    )


def is_nameable(volume: FoundSubvolume) -> bool:
    """Whether a subvolume's path can be written as text, and it has a number for a part."""
    try:
        return volume.path.decode().isprintable() and volume.id < SUBVOLUME_STEP
    except UnicodeDecodeError:
        return False


def chosen(
    found: Sequence[FoundSubvolume],
    mounted: Collection[bytes],
    *,
    snapshots: bool,
    is_named: Callable[[FoundSubvolume], bool] = is_nameable,
) -> list[FoundSubvolume]:
    """Return the subvolumes that are captured: each with all those that it is in. Pure.

    Args:
        found: sorted by path.
        mounted: paths that are mounted.
        snapshots: whether snapshots are wanted as such.
        is_named: whether one can be written down, as it has to be.
    """
    wanted = {one.path for one in found if one.path in mounted or one.is_default or snapshots}
    needed = {path for one in wanted for path in _above(one)}
    known, taken = {one.path for one in found}, set[bytes]()
    for one in found:
        within = [path for path in _above(one.path) if path in known]
        is_asked = one.path in wanted or one.path in needed or not one.is_snapshot
        if is_asked and taken.issuperset(within) and is_named(one):
            taken.add(one.path)
    return [one for one in found if one.path in taken]


def _above(path: bytes) -> list[bytes]:
    """Return the paths of all directories that a path is in."""
    names = path.split(b"/")
    return [b"/".join(names[:count]) for count in range(1, len(names))]


def _seen_at(path: bytes, above: Sequence[BoardPart]) -> str:
    """Return where a subvolume that is not mounted is seen within another; "" if nowhere."""
    for part in reversed(above):
        within = part.tree_path.encode()
        if part.place and (not within or path.startswith(within + b"/")):
            inside = BoardPath(b"/" + path[len(within) :].lstrip(b"/"))
            return str(mounts.joined(BoardPath(os.fsencode(part.place)), inside))
    return ""
