"""How an emulator would start the card that a rebuild makes of a capture: known before that."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.disks import mbr
from holdstill.errors import PreflightError
from holdstill.model.layout import DISK_STEP
from holdstill.rebuild.boot import captured_card
from holdstill.records import assembled
from holdstill.rehearse import emulation, rehearsal
from holdstill.rehearse.bootable_card import BootableCard, CardVolume

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.model.sealed_capture import IndexedCapture
    from holdstill.rebuild.boot.card import BootCard
    from holdstill.rehearse.emulation import EmulatorSetup

_READ = {"vfat": True, "ext4": False}
"""What firmware or a boot loader in an emulator reads, by kind; whether it is a FAT."""


def check(capture: IndexedCapture) -> None:
    """Refuse a capture that no emulator here could start, before hours go into its rebuild.

    Raises:
        PreflightError: as `of`, or the emulator or its firmware is missing here.
        HoldstillError, OSError: the capture cannot be read.
    """
    rehearsal.require(of(capture))


def of(capture: IndexedCapture) -> EmulatorSetup:
    """Return how the card would be started.

    Raises:
        PreflightError: there is no way to start such a board.
        HoldstillError, OSError: the capture cannot be read.
    """
    manifest = capture.manifest()
    with (
        assembled.opened_index(capture) as index,
        captured_card.opened(manifest, index, capture) as card,
    ):
        found = BootableCard(
            size=manifest.disk.size,
            has_boot_code=any(card.gap.read(0, mbr.BOOT_CODE)),
            volumes=tuple(_volumes(card)),
        )
        try:
            return emulation.choose(found)
        except PreflightError as error:
            raise PreflightError(
                f"{capture.board}/{capture.name}: no emulator could start it, so nothing was "
                "rebuilt",
                hint=f"{error.hint}. `holdstill bootcheck {capture.board}` judges it without one",
            ) from error


def _volumes(card: BootCard) -> Iterator[CardVolume]:
    """Yield what can be read of the first disk, from which it is started."""
    for volume in sorted(card.volumes, key=lambda one: one.number):
        if volume.tree is not None and volume.kind in _READ and volume.number < DISK_STEP:
            yield CardVolume(volume.number, is_fat=_READ[volume.kind], files=volume.tree)
