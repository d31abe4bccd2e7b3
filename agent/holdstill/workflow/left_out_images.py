"""The files of mounted images that a capture leaves out, since the settings or defaults say so."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from holdstill.board import block_devices, loop_files, system_names
from holdstill.workflow.capture_method import HAS_FILES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdstill.board.board_facts import LoopFile
    from holdstill.board.layout import BoardPart
    from holdstill.workflow.capture_scope import CaptureScope


class LeftOutImage(NamedTuple):
    """One such file: as the kernel calls it, and by partition and path from its top."""

    file: LoopFile
    partition: int
    path: str


def find(scope: CaptureScope) -> Iterator[LeftOutImage]:
    """Yield the files of loop devices that are on captured file systems, and left out there."""
    devices = block_devices.read_block_devices(scope.all_mounts)
    for file in {device.file for device in devices if device.file}:
        inside = loop_files.inside(file, scope.all_mounts)
        found = _tree(scope, file, inside.raw.strip(b"/"))
        if found is not None and scope.leaves_out(*found):
            yield LeftOutImage(file, found[0].partition, str(inside))


def _tree(scope: CaptureScope, file: LoopFile, path: bytes) -> tuple[BoardPart, bytes] | None:
    """Return the tree that has a file, and its path there; None where no files are captured."""
    best = None
    for part in scope.parts(*HAS_FILES):
        if system_names.block_number(part.device) != file.number:
            continue
        top = part.tree_path.encode() + b"/" if part.tree_path else b""
        if path.startswith(top) and (best is None or len(top) > len(path) - len(best[1])):
            best = part, path[len(top) :]
    return best
