"""What a rebuild writes: an image file, or a card in a reader."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.disks import emmc_areas
from holdstill.rebuild import block_device, compressed_image, device_safety
from holdstill.rebuild.rebuild_target import Existing
from holdstill.workflow import image_room

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from contextlib import AbstractContextManager
    from pathlib import Path

    from holdstill.disks.emmc_areas import EmmcArea
    from holdstill.model.layout import Disk
    from holdstill.rebuild.block_device import BlockDevice
    from holdstill.rebuild.compressed_image import Told
    from holdstill.rebuild.device_safety import Confirmation
    from holdstill.rebuild.planner import Plan
    from holdstill.rebuild.rebuild_target import Target
    from holdstill.system.process import Runner


@dataclass(frozen=True)
class ImageGoal:
    """An image file, packed if its name ends so.

    Attributes:
        wanted: its bytes; 0 for those of the captured disk.
        instead: what to do where there is no room for it.
    """

    path: Path
    wanted: int = 0
    existing: Existing = Existing.KEEP
    instead: str = image_room.ELSEWHERE

    def size(self, captured: Disk) -> int:
        """Return the image's bytes."""
        return self.wanted or captured.size

    def boot_areas(self) -> Mapping[str, EmmcArea]:
        """Return nothing: an image has sectors only."""
        return {}

    def checked(self, plan: Plan) -> str:
        """Name the image, if it may be made and there is room for it.

        Raises:
            TargetRefusedError, PreflightError: as `compressed_image.check_place` and
                `image_room.check`.
        """
        compressed_image.check_place(self.path, existing=self.existing)
        image_room.check(self.path, plan.least_bytes, self.instead)
        return str(self.path)

    def claimed(self, plan: Plan, packed: Told) -> AbstractContextManager[Target]:
        """Hold the image for writing; see `compressed_image.claimed_image`."""
        return compressed_image.claimed_image(
            self.path, size=plan.disk.size, existing=self.existing, packed=packed
        )


@dataclass(frozen=True)
class CardGoal:
    """A card: everything on it is lost.

    Attributes:
        confirm: shows the device to the person at the terminal, and returns what they typed.
    """

    path: Path
    confirm: Callable[[BlockDevice], Confirmation]
    machine: Runner

    def size(self, captured: Disk) -> int:
        """Return the card's bytes."""
        del captured
        return block_device.inspect_device(self.path, self.machine).size

    def boot_areas(self) -> Mapping[str, EmmcArea]:
        """Return those of an eMMC; see `emmc_areas.find`."""
        return {area.area: area for area in emmc_areas.find(self.path)}

    def checked(self, plan: Plan) -> str:
        """Name the card, if it may be written once it is confirmed.

        Raises:
            TargetRefusedError: as `device_safety.check_fit`.
        """
        device = block_device.inspect_device(self.path, self.machine)
        device_safety.check_fit(device, needed=plan.disk.size, sector_size=plan.disk.sector_size)
        return device.describe()

    def claimed(self, plan: Plan, packed: Told) -> AbstractContextManager[Target]:
        """Hold the card alone, once it was confirmed; see `device_safety.claimed_device`."""
        del packed
        return device_safety.claimed_device(
            self.path,
            needed=plan.disk.size,
            consent=self.confirm(block_device.inspect_device(self.path, self.machine)),
            machine=self.machine,
            sector_size=plan.disk.sector_size,
        )
