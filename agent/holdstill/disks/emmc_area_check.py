"""Reads a written area of an eMMC back and compares it with the list of its pieces."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.errors import VerificationError
from holdstill.model import pieces
from holdstill.system import byte_source

if TYPE_CHECKING:
    from holdstill.disks.emmc_areas import EmmcArea
    from holdstill.model.pieces import PieceList


def check(area: EmmcArea, listed: PieceList) -> None:
    """Check that an area begins with what was captured.

    Raises:
        VerificationError: it does not.
    """
    first = first_difference(area, listed)
    if first is None:
        return
    raise VerificationError(
        f"{area.device} does not give back what was written to it, from byte {first:,} on",
        hint="a board that boots from it may not start: write the area again before it loses "
        "power, from the file that `holdstill get` takes out of the capture",
    )


def first_difference(area: EmmcArea, listed: PieceList) -> int | None:
    """Return the byte of the first piece that an area, which is large enough, has otherwise."""
    with byte_source.opened(area.device) as source:
        found = pieces.of_reader(listed.size, listed.piece, source.read)
    return next((span.offset for span in pieces.differing(listed, found)), None)
