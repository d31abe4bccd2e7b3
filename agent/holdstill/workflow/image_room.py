"""Whether a disk has room for an image, before it is begun.

An image is sparse: only what is written to it takes room, not the size of the card.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.board import mounts
from holdstill.errors import TargetRefusedError
from holdstill.filesystems.kernel_filled import subvolume_trees
from holdstill.model.layout import Ext4, Fat, Other
from holdstill.model.sizes import human
from holdstill.rebuild import compressed_image

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from holdstill.model.entries import Entry
    from holdstill.workflow.rebuild_source import RebuildSource

_MAY_COMPRESS = frozenset({
    "btrfs", "f2fs", "bcachefs", "zfs", "overlay", "nfs", "nfs4", "cifs", "smb3", "9p", "virtiofs",
})  # fmt: skip
"""File systems on which a file may take less than its bytes, or that do not say what is below."""


def least(source: RebuildSource) -> int:
    """Return the bytes of contents that an image takes on its disk at the least: no holes.

    Whoever wrote zeroes into a file that is not sparse makes it less; nobody looks for those.
    """
    total = sum(
        part.length
        for raw in source.manifest.raws
        for part in source.pieces_of(raw)[0].parts()
        if part.digest
    )
    for part in source.manifest.parts:
        match part.file_system:
            case Ext4() | Fat():
                total += _contents(source.entries(part.number))
            case Other():
                number = part.number
                trees = subvolume_trees.as_one(source.entries(number), source.subvolumes(number))
                total += _contents(trees)
            case _:
                pass
    return total


def _contents(entries: Iterable[Entry]) -> int:
    """Return the bytes of the contents of a tree, each link once, without what may have holes.

    Swap files, and files that could not be read, have no content: nothing is written of them.
    """
    links = set[int]()
    total = 0
    for entry in entries:
        if entry.digest and not entry.sparse and entry.link not in links:
            total += entry.size
        if entry.link:
            links.add(entry.link)
    return total


ELSEWHERE = (
    "make room there, or name a file on a disk that has more (`df -h` shows them); or write to "
    "the card itself"
)
"""What to do instead, for whoever has named an image."""


def check(path: Path, needed: int, instead: str = ELSEWHERE) -> None:
    """Refuse a place that cannot hold an image of so many bytes that are no holes.

    What of it is packed is given back meanwhile (`compressed_image`), so a packed image counts
    once.

    Args:
        path: of the image.
        needed: bytes of it.
        instead: what to do where there is less room.

    Raises:
        TargetRefusedError: it has less room.
    """
    free = _free(path.parent) + _left_by_killed(path)
    if free >= needed or _may_compress(path.parent):
        return
    raise TargetRefusedError(
        f"{path.parent} has {human(free)} free, and the image takes at least {human(needed)} of "
        "it: nothing was begun",
        hint=instead,
    )


def _free(folder: Path) -> int:
    state = os.statvfs(folder)
    blocks = state.f_bfree if os.geteuid() == 0 else state.f_bavail
    return blocks * state.f_frsize


def _left_by_killed(path: Path) -> int:
    """Return what the draft of a run that was killed takes: it is used again."""
    try:
        return compressed_image.draft_path(path).lstat().st_blocks * 512
    except OSError:
        return 0


def _may_compress(folder: Path) -> bool:
    """Whether contents may take less room in a folder than they have bytes, as far as is known."""
    inside = os.fsencode(folder.resolve())
    above = [
        mount
        for mount in mounts.read_mounts()
        if not mount.is_covered and (inside + b"/").startswith(mount.point.raw.rstrip(b"/") + b"/")
    ]
    if not above:
        return True
    kind = max(above, key=lambda mount: len(mount.point.raw)).type
    return kind in _MAY_COMPRESS or kind.startswith("fuse")
