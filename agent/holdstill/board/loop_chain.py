"""From a device to that which its bytes are on, through the files of loop devices. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping

    from holdstill.board.board_facts import BlockDevice, LoopFile, Number

DEPTH_MAX = 16
"""The most devices on files of each other that are followed; more are not known in practice."""


def chain(device: BlockDevice, devices: Mapping[Number, BlockDevice]) -> Iterator[LoopFile]:
    """Yield the files that a device is in: its own, that of the device which that is on, ..."""
    here: BlockDevice | None = device
    for _ in range(DEPTH_MAX):
        if here is None or here.file is None:
            return
        yield here.file
        here = devices.get(here.file.number) if here.file.number else None


def device_below(
    device: BlockDevice,
    devices: Mapping[Number, BlockDevice],
    own: Collection[Number] | None,
) -> BlockDevice:
    """Return the device that holds what is on a device: of a loop device, where its file is. Pure.

    Deleted files and those that are not the board's, such as a card image on a work bench, are
    not followed.

    Args:
        device: to begin with.
        devices: all that there are.
        own: of the file systems that the board sees; None for all: it is the one that runs here.
    """
    for file in chain(device, devices):
        below = devices.get(file.number) if file.number else None
        if below is None or file.is_deleted or not is_own(file, own):
            break
        device = below
    return device


def is_own(file: LoopFile, own: Collection[Number] | None) -> bool:
    """Whether a file is one of the board's own."""
    return own is None or file.number in own
