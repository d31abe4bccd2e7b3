"""The first page: all boards, the worst first, and the room that is left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.page import listing
from holdstill.page.board_row import BoardState
from holdstill.page.listing import ORDERS, Wanted
from holdstill.page.visit import Page

if TYPE_CHECKING:
    from starlette.responses import Response

    from holdstill.page.keeper_view import KeeperView
    from holdstill.page.visit import Visit

_COLUMNS = (
    ("board", "Board"), ("worst", "State"), ("age", "Last capture"), ("grade", "Grade"),
    ("verified", "Verified"), ("booted", "Booted"), ("would-boot", "Would boot"),
    ("card", "Card"), ("size", "Size"), ("captures", "Captures"),
)  # fmt: skip
"""Orders and headings."""


@dataclass(frozen=True)
class OverviewPages:
    """The overview of a keeper."""

    keeper: KeeperView

    @property
    def pages(self) -> tuple[Page, ...]:
        """The one page."""
        return (Page("/", self.shown),)

    def shown(self, visit: Visit) -> Response:
        """Show the boards that are wanted."""
        found, wanted = self.keeper.overview(), Wanted.of_query(visit.query)
        return visit.page(
            "overview.html",
            found=found,
            rows=wanted.chosen(found.boards),
            counts=listing.counts(found.boards),
            wanted=wanted,
            columns=_COLUMNS,
            states=tuple(BoardState),
            orders=ORDERS,
        )
