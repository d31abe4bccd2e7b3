"""A board whose / is in a file of a partition: a live system's image, or a disk in a file."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from holdstill.board import (
    block_devices,
    layout,
    loop_chain,
    loop_files,
    mount_device,
    mounts,
    system_names,
)
from holdstill.model.manifest import RootFile

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdstill.board.board_facts import BlockDevice
    from holdstill.board.layout import BoardLayout
    from holdstill.board.mounts import Mount
    from holdstill.model.paths import BoardPath


def with_root_file(
    board: BoardLayout, root: BoardPath, all_mounts: tuple[Mount, ...]
) -> BoardLayout:
    """Return a layout that knows which files of partitions are in use as devices, and hold /."""
    devices = block_devices.read_block_devices(all_mounts)
    board = replace(board, files_in_use=_in_use(board, devices))
    if any(part.is_root for part in board.parts):
        return board
    found = _find(board, root, all_mounts, devices)
    if found is None:
        return board
    said = f"{found}: that file is captured as it is, and nobody looks into it"
    return replace(board, root_file=found, warnings=(*board.warnings, said))


def _in_use(board: BoardLayout, devices: Sequence[BlockDevice]) -> dict[int, str]:
    """Return a file that is in use as a device, by the partition that it is on."""
    numbers = {system_names.block_number(part.device): part.partition for part in board.parts}
    numbers.pop(None, None)
    files = (device.file for device in devices if device.file and device.file.number)
    return {numbers[one.number]: one.path for one in files if one.number in numbers}


def _find(
    board: BoardLayout,
    root: BoardPath,
    all_mounts: tuple[Mount, ...],
    found: Sequence[BlockDevice],
) -> RootFile | None:
    here = layout.layer_of_root(root, all_mounts) or mounts.mount_of(root, all_mounts)
    devices = {one.number: one for one in found}
    device = devices.get(mount_device.number(here)) if here else None
    for file in loop_chain.chain(device, devices) if device else ():
        if file.is_deleted or file.number is None:
            return None
        for part in board.parts:
            if (
                part.number == part.partition
                and system_names.block_number(part.device) == file.number
            ):
                path = str(loop_files.inside(file, all_mounts))
                return RootFile(partition=part.number, path=path)
    return None
