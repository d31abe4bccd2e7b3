"""A capture that the board daemon takes by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdstill.cli import options, wiring
from holdstill.errors import LinkError
from holdstill.model.store_address import FolderAddress
from holdstill.workflow import capture

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdstill.board.all_day import AllDay
    from holdstill.workflow.capture_report import CaptureReport
    from holdstill.workflow.ports import Progress


def from_settings(
    path: Path, all_day: AllDay, check_time: Callable[[], None]
) -> Callable[[Progress], CaptureReport]:
    """Return a function that takes a capture by the settings that are in the file then.

    A changed hook or exclusion so needs no restart of the daemon.

    Args:
        path: of the settings.
        all_day: keeps what is known of large files from one capture to the next, if it is to be.
        check_time: raises NightOverError when the night is over.
    """

    def take(progress: Progress) -> CaptureReport:
        settings = options.read_board_settings(path)
        # Check that a store in a directory is there: its disk may be unplugged for a while.
        address = settings.keeper
        if isinstance(address, FolderAddress) and not (address.path / "store.yaml").is_file():
            raise LinkError(
                f"{address.path} holds no store just now",
                hint="is its disk plugged in, or its share mounted? If there never was a store: "
                f"`holdstill keeper init {address.path}`",
            )
        if not settings.nightly.follow_all_day:
            all_day.forget()
        kept = all_day if settings.nightly.follow_all_day else None
        with wiring.capture_means(settings, progress, kept, check_time=check_time) as outside:
            return capture.capture(settings, outside)

    return take
