"""Builds what the board daemon depends on."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdstill.board import identity
from holdstill.board.readiness import BoardReadiness
from holdstill.cli import options, wiring
from holdstill.daemon import DaemonDependencies
from holdstill.errors import LinkError
from holdstill.model.store_address import FolderAddress
from holdstill.notify import metrics
from holdstill.notify.log import LevelLog
from holdstill.notify.notifier import Notifier
from holdstill.notify.recipients import AppriseRecipients
from holdstill.schedule import state_file
from holdstill.schedule.due_nights import DueNights
from holdstill.schedule.zone import LocalZone
from holdstill.system.clocks import SystemClock
from holdstill.system.sd_notify import SdNotify
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import board_state, capture
from holdstill.workflow.attempt import AttemptRunner

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime, tzinfo
    from pathlib import Path

    from holdstill.model.nightly_state import NightlyState
    from holdstill.model.settings import BoardSettings
    from holdstill.system.clocks import Clock
    from holdstill.workflow.capture_report import CaptureReport
    from holdstill.workflow.ports import Progress


@dataclass(frozen=True)
class _BoardTime:
    """What this board knows of the time of day."""

    clock: Clock
    local: LocalZone

    def is_trusted(self) -> bool:
        """Whether something has set the clock since boot."""
        return identity.is_clock_trusted(self.clock.now().year)

    def zone(self) -> tzinfo:
        """Return the time zone that is set now."""
        return self.local()


def daemon_dependencies(
    settings: BoardSettings, settings_path: Path, place: Path
) -> DaemonDependencies:
    """Return everything that the daemon of a board reaches the outside world with.

    Args:
        settings: the board's.
        settings_path: is read again before each run: a changed hook needs no restart.
        place: the directory in memory that shows what the daemon is doing.
    """
    clock, runner, supervisor = SystemClock(), BoundedRunner(), SdNotify()
    people = AppriseRecipients(settings.notify.urls_file, runner)
    source = _BoardTime(clock, LocalZone())
    lines = LevelLog(sys.stderr)

    def take_capture(tell: Progress) -> CaptureReport:
        current = options.read_board_settings(settings_path)
        _check_medium(current)
        with wiring.capture_means(current, tell) as means:
            return capture.capture(current, means)

    return DaemonDependencies(
        clock=clock,
        agenda=DueNights(settings, clock, source),
        trier=AttemptRunner(
            clock=clock,
            capture=take_capture,
            readiness=BoardReadiness(runner),
            supervisor=supervisor,
            is_clock_trusted=source.is_trusted,
            complaint=people.complaint,
            longest=settings.nightly.longest_hours * 3600,
        ),
        herald=Notifier(settings.board, people),
        book=state_file.NightlyStateFile(settings.state),
        window=state_file.LiveStatusFile(place),
        supervisor=supervisor,
        lines=lines,
        last_sealed=lambda: board_state.sealed_at(settings.state),
        publish=_publisher(settings, lines),
    )


def _check_medium(settings: BoardSettings) -> None:
    """See that a store that is a directory is there: its disk may be unplugged for a while.

    Raises:
        LinkError: it is not, which is worth another try.
    """
    address = settings.keeper
    if isinstance(address, FolderAddress) and not (address.path / "store.yaml").is_file():
        raise LinkError(
            f"{address.path} holds no store just now",
            hint="is its disk plugged in, or its share mounted? If there never was a store: "
            f"holdstill keeper init {address.path}",
        )


def _publisher(
    settings: BoardSettings, lines: LevelLog
) -> Callable[[NightlyState, datetime | None], None]:
    complaints: set[str] = set()

    def publish(diary: NightlyState, due: datetime | None) -> None:
        if not settings.notify.metrics_file:
            return
        families = metrics.about_board(settings.board, diary, due=due)
        try:
            metrics.publish(settings.notify.metrics_file, metrics.rendered(families))
        except OSError as error:
            if str(error) not in complaints:  # once is enough: it is asked every few minutes
                complaints.add(str(error))
                lines.warning(f"the numbers for Prometheus cannot be written: {error}")

    return publish
