"""Which key files that crypttab names are captured, as the board is now."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import mounts
from holdstill.model import tree_views, unlocking
from holdstill.model.paths import BoardPath
from holdstill.model.unlocking import KEY_MAX, KeyFile
from holdstill.workflow.capture_method import HAS_FILES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdstill.board.layout import BoardPart
    from holdstill.model.system_tables import CrypttabEntry
    from holdstill.workflow.capture_scope import CaptureScope


def find(scope: CaptureScope, crypttab: Iterable[CrypttabEntry]) -> frozenset[str]:
    """Return the paths of those that are, as crypttab writes them."""
    means = (unlocking.of_line(line) for line in crypttab)
    return frozenset(
        one.path for one in means if isinstance(one, KeyFile) and _is_captured(scope, one)
    )


def _is_captured(scope: CaptureScope, file: KeyFile) -> bool:
    root = Path(os.path.realpath(scope.settings.root))
    try:
        real = Path(os.path.realpath(root / file.path.lstrip("/")))
        about = real.stat()
    except (OSError, ValueError):  # the latter for a name that no file has
        return False
    is_key = stat.S_ISREG(about.st_mode) and file.offset < about.st_size <= KEY_MAX
    if not is_key or not real.is_relative_to(root):
        return False
    place = f"/{real.relative_to(root)}"
    found = _tree(scope, place)
    return found is not None and not scope.leaves_out(*found)


def _tree(scope: CaptureScope, place: str) -> tuple[BoardPart, bytes] | None:
    """Return the captured tree that shows a place, and the path in it; None where none does."""
    best, length = None, -1
    for part in scope.parts(*HAS_FILES):
        shown = tree_views.showing(part.seen, place)
        if shown is not None and len(shown[0].place) > length:
            best, length = (part, shown[1]), len(shown[0].place)
    return best if length >= _length_of_mount(scope, place) else None


def _length_of_mount(scope: CaptureScope, place: str) -> int:
    """Return the length of the place of the deepest mount that a place is in."""
    root = BoardPath(os.fsencode(scope.settings.root))
    points = (
        str(mounts.relative_to(mount.point, root))
        for mount in scope.all_mounts
        if mounts.is_below(mount.point, root)
    )
    within = (
        one
        for one in points
        if mounts.is_below(BoardPath(os.fsencode(place)), BoardPath(os.fsencode(one)))
    )
    return max(map(len, within), default=0)
