"""Files of a capture that no index lists: in partitions that are captured as they are. Pure."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.model import attachment_names, path_pattern, tree_views
from holdstill.model.layout import Raw

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.manifest import CapturedPart, Manifest


def nearest(manifest: Manifest, path: str) -> tuple[CapturedPart, bytes] | None:
    """Return the part that was seen at an absolute path, and the path in it; None for none.

    Of two that were seen there, one with files in the index comes first.
    """
    shown = [
        (len(found[0].place), part.entries > 0, part, found[1])
        for part in manifest.parts
        if (found := tree_views.showing(part.seen, path)) is not None
    ]
    best = max(shown, key=lambda one: one[:2], default=None)
    return None if best is None else best[2:]


def why(manifest: Manifest, part: CapturedPart) -> str:
    """Say why no index lists the files of a part that has none there."""
    if not _is_attached(manifest, part):
        return f"partition {part.label}, whose files are not in the capture ({part.detection})"
    return f"{_described(part)}, which is captured as it is: its files are in no index"


def how(manifest: Manifest, part: CapturedPart) -> str:
    """Say how a file of such a part is got at all the same."""
    if not _is_attached(manifest, part):
        return "see `holdstill show`"
    board, name = manifest.board.name, attachment_names.raw_name(part.number)
    return (
        f"`holdstill get {board}/{manifest.seq} {name}` takes the partition out as a file, and "
        f"`mount -o ro,loop {name} /mnt` shows what is in it"
    )


def may_have(manifest: Manifest, pattern: bytes) -> Iterator[CapturedPart]:
    """Yield the parts that are captured as they are and may have what a pattern means.

    Args:
        manifest: of one capture.
        pattern: of absolute paths; or of names, which may be anywhere.
    """
    is_placed = pattern.startswith(b"/")
    if b"/" in pattern and not is_placed:
        return
    folder = path_pattern.folder_of(pattern) if is_placed else b"/"
    above = nearest(manifest, os.fsdecode(folder))
    for part in manifest.parts:
        if part.entries == 0 and part.seen and _is_attached(manifest, part):
            is_above = above is not None and above[0] is part
            if is_above or any(_is_below(view.place, folder) for view in part.seen):
                yield part


def _is_below(place: str, folder: bytes) -> bool:
    return tree_views.is_within(place.strip("/").encode(), folder.strip(b"/"))


def _is_attached(manifest: Manifest, part: CapturedPart) -> bool:
    name = attachment_names.raw_name(part.number)
    return any(raw.name == name for raw in manifest.raws)


def _described(part: CapturedPart) -> str:
    kind = part.file_system.type if isinstance(part.file_system, Raw) else ""
    return f"partition {part.label}" + (f" ({kind})" if kind else "")
