"""What changed between two captures of a board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.page import place
from holdstill.page.capture import CAPTURE
from holdstill.page.place import Place
from holdstill.page.visit import Page, Turn

if TYPE_CHECKING:
    from starlette.responses import Response

    from holdstill.page.capture_view import CaptureView, ChangeView
    from holdstill.page.visit import Visit

KINDS = {
    "added": "added",
    "removed": "removed",
    "content": "with other content",
    "metadata": "with other owner, mode or attributes",
    "time": "with another time only",
}


@dataclass(frozen=True)
class ChangePages:
    """The pages of differences."""

    captures: CaptureView
    differences: ChangeView

    @property
    def pages(self) -> tuple[Page, ...]:
        """What differs in all, and one by one."""
        return (
            Page(f"{CAPTURE}/changes", self.shown, turn=Turn.HEAVY),
            Page(f"{CAPTURE}/changes/paths", self.listed, turn=Turn.HEAVY),
        )

    def shown(self, visit: Visit) -> Response:
        """Show what differs in all; or, where none is named, with which capture to compare."""
        board, capture = visit.place["board"], visit.place["capture"]
        other = visit.query.get("with", "")
        others = [each for each in self.captures.capture(board, capture).others if each != capture]
        found = self.differences.changes(board, capture, other) if other else None
        return visit.page(
            "changes.html", board=board, capture=capture, other=other, others=others[::-1],
            found=found, kinds=KINDS, top=lambda number: Place(number, b""),
        )  # fmt: skip

    def listed(self, visit: Visit) -> Response:
        """Show some of what differs on one part."""
        board, capture = visit.place["board"], visit.place["capture"]
        other = visit.query.get("with", "")
        found = self.differences.listed(board, capture, other, Place.of_query(visit.query))
        return visit.page(
            "changed_paths.html", board=board, capture=capture, other=other, found=found,
            kinds=KINDS, asked=place.asked,
        )  # fmt: skip
