"""Whether all that this board mounts and boots from is captured, and could be rebuilt."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from holdstill.board import (
    boot_areas,
    completeness,
    layout,
    mounts,
    path_filter,
    read_board_facts,
)
from holdstill.board.board_facts import ExcludedTree
from holdstill.model import tree_views
from holdstill.model.layout import SUBVOLUME_STEP
from holdstill.model.paths import BoardPath
from holdstill.model.store_address import FolderAddress
from holdstill.workflow import capture_method, captured_keys, left_out_images
from holdstill.workflow.capture_method import HAS_FILES
from holdstill.workflow.capture_scope import CaptureScope

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.board.board_facts import BoardFacts
    from holdstill.board.completeness import Completeness
    from holdstill.board.layout import BoardLayout, BoardPart
    from holdstill.model.finding import Finding
    from holdstill.model.settings import BoardSettings
    from holdstill.model.tree_views import TreeView
    from holdstill.workflow.capture_method import MethodChoice


def check(
    settings: BoardSettings, board: BoardLayout, chosen: Mapping[int, MethodChoice]
) -> Completeness:
    """Judge the board as it is now: what is mounted may have changed since it was surveyed."""
    address, numbers = settings.keeper, capture_method.left_out(settings)
    partitions = [number for number in numbers if number < SUBVOLUME_STEP]
    scope = CaptureScope(settings, board, dict(chosen), mounts.read_mounts())
    facts = read_board_facts.read(
        board,
        BoardPath(os.fsencode(settings.root)),
        all_mounts=scope.all_mounts,
        raw={number for number, choice in chosen.items() if choice.method not in HAS_FILES},
        left_out=numbers,
        areas=boot_areas.find(board, settings),
        store=address.path if isinstance(address, FolderAddress) else None,
    )
    facts = _with_what_stays_out(facts, scope)
    words = [str(word) for word in settings.leave_out if word not in partitions]
    written = {_without_links(word): word for word in words}
    devices = (str(board.part(number).device) for number in partitions)
    found = completeness.judge(facts, (*written, *devices))
    return replace(found, unused=tuple(written.get(word, word) for word in found.unused))


def _with_what_stays_out(facts: BoardFacts, scope: CaptureScope) -> BoardFacts:
    images = tuple(left_out_images.find(scope))
    root = scope.board.root_file
    is_root = root and any((i.partition, i.path) == (root.partition, root.path) for i in images)
    return replace(
        facts,
        captured_keys=captured_keys.find(scope, facts.crypttab),
        excluded=tuple(_excluded(scope)),
        left_out_files=frozenset(image.file.path for image in images),
        left_out_root=str(root) if is_root else "",
    )


def _excluded(scope: CaptureScope) -> Iterator[ExcludedTree]:
    """Yield what is mounted, or seen, where a pattern of the owner leaves all out."""
    settings = scope.settings
    own = [pattern for pattern in settings.exclude if pattern not in path_filter.DEFAULT_EXCLUDES]
    for part in scope.parts(*HAS_FILES):
        told = set()
        for view, place in _places(part):
            pattern = path_filter.leaving_out(place.encode(), own, settings.include)
            if pattern is None or (pattern in told and place != view.place):
                continue
            told.add(pattern)
            inside = view.inside.encode()
            yield ExcludedTree(
                device=str(part.device),
                folder="/".join(filter(None, (part.tree_path, view.inside))),
                place=place,
                pattern=pattern,
                is_kept=not scope.leaves_out(part, inside + b"/." if inside else b"."),
            )


def _places(part: BoardPart) -> Iterator[tuple[TreeView, str]]:
    """Yield the views of a partition, and then each with all places where its folder is seen."""
    yield from ((view, view.place) for view in part.seen)
    for view in part.seen:
        for place in tree_views.places_of(part.seen, view.inside.encode()):
            yield view, place.decode()


def _without_links(word: str) -> str:
    """Return what a finding calls a device that the owner names by a link, as udev makes them."""
    path = Path(word)
    is_link_to_device = path.is_symlink() and path.is_block_device()
    return str(layout.node_of(path)) if is_link_to_device else word


def united(before: tuple[Finding, ...], after: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Return the findings of two looks: what was missing at either of them was not captured."""
    known = {(finding.kind, finding.what) for finding in after}
    gone = (finding for finding in before if (finding.kind, finding.what) not in known)
    return (*after, *gone)
