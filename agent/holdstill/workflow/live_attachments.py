"""What a board has beside its files, read while it runs: for a comparison with what was captured.

Nothing is held still: what is written to while it is read may be either.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from holdstill.board import boot_areas
from holdstill.errors import LayoutError
from holdstill.model import pieces
from holdstill.model.attachment_names import gap_name, raw_name
from holdstill.workflow import attachments, capture_areas
from holdstill.workflow.attachments import Extract
from holdstill.workflow.capture_method import CaptureMethod

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from holdstill.board.boot_areas import BoardArea
    from holdstill.board.layout import BoardDisk, BoardLayout, BoardPart
    from holdstill.model.pieces import PieceList
    from holdstill.workflow.capture_scope import CaptureScope


@dataclass(frozen=True)
class LiveAttachments:
    """Boot gaps, areas of eMMCs and raw partitions, by their names in a manifest.

    Attributes:
        digests: as a manifest has them, in hexadecimal; nothing of what is empty.
        unread: why others were not read.
    """

    digests: dict[str, str] = field(default_factory=dict)
    unread: dict[str, str] = field(default_factory=dict)


def read(scope: CaptureScope) -> LiveAttachments:
    """Read what a capture would have beside the files."""
    found = LiveAttachments()
    for part in scope.parts(CaptureMethod.LEFT_OUT):
        found.unread[raw_name(part.number)] = f"left out: {scope.chosen[part.number].why}"
    areas = boot_areas.find(scope.board, scope.settings)
    found.unread.update({area.name: area.obstacle for area in areas if area.obstacle})
    for name, listing in _listings(scope, areas):
        try:
            listed = listing()
        except (OSError, EOFError, LayoutError) as error:
            found.unread[name] = str(error)
        else:
            if listed is not None:
                found.digests[name] = listed.digest().hex()
    return found


def _listings(
    scope: CaptureScope, areas: tuple[BoardArea, ...]
) -> Iterator[tuple[str, Callable[[], PieceList | None]]]:
    for place, disk in enumerate(scope.board.disks, start=1):
        yield gap_name(place), partial(_gap, disk)
    for part in scope.parts(CaptureMethod.RAW):
        yield raw_name(part.number), partial(_raw, part, scope.board)
    for area in areas:
        if not area.obstacle:
            yield area.name, partial(_area, area)


def _gap(disk: BoardDisk) -> PieceList | None:
    data = attachments.gap_file(disk)
    if not data:
        return None
    return pieces.of_reader(len(data), pieces.PIECE, lambda at, size: data[at : at + size])


def _raw(part: BoardPart, board: BoardLayout) -> PieceList:
    name = raw_name(part.number)
    return attachments.pieced(name, attachments.raw_in_place(part, board)).listed


def _area(area: BoardArea) -> PieceList | None:
    source = Extract(area.device, 0, area.emmc.size)
    listed = attachments.pieced(area.name, source).listed
    return None if capture_areas.is_blank(listed) else listed
