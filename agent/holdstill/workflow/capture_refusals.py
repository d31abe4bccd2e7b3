"""Why a board cannot be captured as it is, or with these settings; a capture ends so."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from holdstill.board import layout, mounts
from holdstill.errors import PreflightError
from holdstill.model.paths import BoardPath
from holdstill.workflow import in_the_clear, store_on_card
from holdstill.workflow.capture_method import CaptureMethod

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdstill.board.layout import BoardLayout
    from holdstill.board.mounts import Mount
    from holdstill.model.settings import BoardSettings
    from holdstill.workflow.capture_method import MethodChoice


def of_board(
    settings: BoardSettings,
    board: BoardLayout,
    chosen: Mapping[int, MethodChoice],
    all_mounts: tuple[Mount, ...],
) -> Iterator[PreflightError]:
    """Yield what of a board cannot be captured."""
    for number, choice in chosen.items():
        if choice.method is CaptureMethod.REFUSED:
            yield PreflightError(f"partition {number} of {board.named}: {choice.why}")
    if refused := in_the_clear.refusal(settings, board, chosen):
        yield refused
    if not board.has_root:
        yield _no_root(board, BoardPath(os.fsencode(settings.root)), all_mounts)


def of_store(
    settings: BoardSettings, board: BoardLayout, all_mounts: tuple[Mount, ...]
) -> Iterator[PreflightError]:
    """Yield why the store is at no place for the captures of this board."""
    try:
        store_on_card.check(settings, board.devices)
        store_on_card.inside(settings, board, all_mounts)
    except PreflightError as error:
        yield error


def _no_root(board: BoardLayout, root: BoardPath, all_mounts: tuple[Mount, ...]) -> PreflightError:
    """Return the error of a board whose root is on no partition, or is only a part of one."""
    here = layout.layer_of_root(root, all_mounts) or mounts.mount_of(root, all_mounts)
    for part in board.parts:
        if here and part.mount and layout.is_on(part, here):
            return PreflightError(
                f"{root} is {here.inside} of {part.device} ({here.type}), of which other folders "
                "are mounted: it cannot be captured as a root",
                hint="it can be any folder of an ext4, xfs, btrfs or f2fs if this runs as root on "
                "Linux 5.2 or newer",
            )
    return PreflightError(
        f"no partition of {board.named} is mounted at {root}",
        hint="check `root` and `disks` in the board's settings",
    )
