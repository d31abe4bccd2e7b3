"""The metrics file of the board daemon."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.notify import metrics

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from holdstill.model.nightly_state import NightlyState
    from holdstill.model.settings import BoardSettings
    from holdstill.notify.log import LevelLog


def publisher(
    settings: BoardSettings, lines: LevelLog
) -> Callable[[NightlyState, datetime | None], None]:
    """Return a function that publishes the numbers; each problem is logged once."""
    complaints: set[str] = set()

    def publish(state: NightlyState, due: datetime | None) -> None:
        if not settings.notify.metrics_file:
            return
        families = metrics.about_board(settings.board, state, due=due)
        try:
            metrics.publish(settings.notify.metrics_file, metrics.rendered(families))
        except OSError as error:
            if str(error) not in complaints:  # once is enough: it is asked every few minutes
                complaints.add(str(error))
                lines.warning(f"the numbers for Prometheus cannot be written: {error}")

    return publish
