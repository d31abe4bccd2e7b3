"""The areas of the board's eMMCs beside their sectors: which are captured, and why others not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import completeness
from holdstill.disks import emmc_areas
from holdstill.model import attachment_names
from holdstill.model.sizes import human

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from holdstill.board.layout import BoardLayout
    from holdstill.disks.emmc_areas import EmmcArea
    from holdstill.model.settings import BoardSettings


@dataclass(frozen=True)
class BoardArea:
    """One area.

    Attributes:
        place: of its disk, 1 for the first.
        obstacle: why it is not captured, "" if it is, unless nobody ever wrote to it.
    """

    place: int
    emmc: EmmcArea
    obstacle: str = ""

    @property
    def device(self) -> Path:
        """Its node."""
        return self.emmc.device

    @property
    def name(self) -> str:
        """What a manifest calls its bytes."""
        return attachment_names.area_name(self.emmc.area, self.place)


def find(
    board: BoardLayout,
    settings: BoardSettings,
    *,
    sys: Path = emmc_areas.SYS,
    dev: Path = emmc_areas.DEV,
) -> tuple[BoardArea, ...]:
    """Find the areas of a board's disks; one that is captured as a disk itself is none.

    Args:
        board: its disks.
        settings: have the largest area that is copied, and what the owner leaves out.
        sys: where the kernel exports its state.
        dev: where the devices' nodes are.
    """
    leave_out = tuple(map(str, settings.leave_out))
    return tuple(
        BoardArea(place, area, _obstacle(area, settings.raw_limit, leave_out))
        for place, disk in enumerate(board.disks, start=1)
        for area in emmc_areas.find(disk.device, sys=sys, dev=dev)
        if area.device not in board.devices
    )


def _obstacle(area: EmmcArea, limit: int, leave_out: Sequence[str]) -> str:
    if any(completeness.is_meant(word, str(area.device)) for word in leave_out):
        return "it is left out, as `leave_out` says"
    if area.size > limit:
        return (
            f"it has {human(area.size)}, and `raw_limit` in the settings lets areas of up to "
            f"{human(limit)} be copied"
        )
    if area.is_in_use:
        return (
            "it is in use, so its bytes would be copied while they change; "
            f"`disks: [auto, {area.device}]` in the settings captures its files"
        )
    return ""
