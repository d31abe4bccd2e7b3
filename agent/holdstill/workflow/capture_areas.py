"""An eMMC's own areas in a capture. They are read after the pause, and were not written since.

Hardly anything ever writes to them, but for an update of the boot loader. The kernel's counts
from before the pause tell whether something did.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdstill.board import boot_areas
from holdstill.board.write_counter import WriteCounter
from holdstill.errors import VerificationError
from holdstill.model import pieces
from holdstill.model.finding import Finding, FindingKind
from holdstill.workflow import attachments
from holdstill.workflow.attachments import Extract

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdstill.board.boot_areas import BoardArea
    from holdstill.board.layout import BoardLayout
    from holdstill.model.pieces import PieceList
    from holdstill.model.settings import BoardSettings
    from holdstill.workflow.attachments import PiecedFile

_TRIES = 3
"""Readings of an area that is being written to."""
_ERASED = b"\xff"


class _UnsettledAreaError(Exception):
    """An area was written to whenever it was read."""

    def __str__(self) -> str:
        return "it was written to whenever it was read"


@dataclass(frozen=True)
class WatchedArea:
    """An area that is captured, and the count of what is written to it since it was found."""

    area: BoardArea
    counter: WriteCounter


@dataclass(frozen=True)
class UploadedAreas:
    """Areas that are at the keeper.

    Attributes:
        files: by their names in the manifest.
        findings: those that could not be read.
        warnings: what is not of the pause's instant.
    """

    files: dict[str, PiecedFile] = field(default_factory=dict)
    findings: list[Finding] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def watched(board: BoardLayout, settings: BoardSettings) -> tuple[WatchedArea, ...]:
    """Begin to count what is written to the areas that are captured; before the pause."""
    areas = (area for area in boot_areas.find(board, settings) if not area.obstacle)
    return tuple(WatchedArea(area, WriteCounter(area.device)) for area in areas)


def upload(areas: tuple[WatchedArea, ...], send: Callable[[PiecedFile], None]) -> UploadedAreas:
    """Read the areas that hold anything, and have them sent.

    Args:
        areas: watched since before the pause.
        send: brings what the keeper lacks of one; VerificationError if it did not arrive as read.
    """
    done = UploadedAreas()
    for one in areas:
        area = one.area
        try:
            file = _uploaded(area, send)
        except (OSError, EOFError, _UnsettledAreaError) as error:
            done.findings.append(_missing(area, error))
            continue
        if file is not None:
            done.files[area.name] = file
        if one.counter.has_grown:
            done.warnings.append(
                f"{area.device} was written to while the board was captured: what is kept of it "
                "may be later than the rest"
            )
    return done


def _uploaded(area: BoardArea, send: Callable[[PiecedFile], None]) -> PiecedFile | None:
    """Return an area as it is at the keeper; None if nobody ever wrote to it.

    Raises:
        VerificationError: it did not arrive as it was sent.
        _UnsettledAreaError: it is written to all the time.
    """
    for _ in range(_TRIES):
        counter = WriteCounter(area.device)
        file = attachments.pieced(area.name, Extract(area.device, 0, area.emmc.size))
        try:
            if not is_blank(file.listed):
                send(file)
        except VerificationError:
            if not counter.has_grown:
                raise
            continue
        if not counter.has_grown:
            return None if is_blank(file.listed) else file
    raise _UnsettledAreaError


def is_blank(listed: PieceList) -> bool:
    """Whether nobody ever wrote to an area: it is all zeros, or all ones, as flash is erased."""
    erased: dict[int, bytes] = {}
    for part in listed.parts():
        if part.digest and part.length not in erased:
            erased[part.length] = pieces.piece_digest(_ERASED * part.length)
        if part.digest and part.digest != erased[part.length]:
            return False
    return True


def _missing(area: BoardArea, error: Exception) -> Finding:
    return Finding(
        kind=FindingKind.MISSING,
        what=str(area.device),
        why="an area of the eMMC beside its sectors, which boards boot from, could not be "
        f"copied: {error}",
        hint=f"keep a copy: dd if={area.device} of=FILE",
    )
