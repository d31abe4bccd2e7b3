"""A board's page: its captures on a time line, and what they tell in numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.model import protocol
from holdstill.page import capture_plots, plots
from holdstill.page.roles import Role
from holdstill.page.visit import Page

if TYPE_CHECKING:
    from starlette.responses import Response

    from holdstill.page.keeper_view import KeeperView
    from holdstill.page.visit import Visit


@dataclass(frozen=True)
class BoardPages:
    """The pages of a keeper's boards."""

    keeper: KeeperView

    @property
    def pages(self) -> tuple[Page, ...]:
        """The one page of each board."""
        return (Page("/boards/{board}", self.shown),)

    def shown(self, visit: Visit) -> Response:
        """Show a board."""
        found = self.keeper.board(visit.place["board"])
        return visit.page(
            "board.html",
            found=found,
            best=protocol.newest_good(found.captures),  # as `rebuild BOARD` takes it
            may_make=visit.may(Role.IMAGES),
            newest_first=found.captures[::-1],
            line=capture_plots.time_line(found.captures, found.now),
            plots=capture_plots.of(found.captures),
            numbers=capture_plots,
            drawing=plots,
        )
