"""Builds what the board daemon depends on."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from holdstill.board.readiness import BoardReadiness
from holdstill.cli import metrics_file, scheduled_capture
from holdstill.cli.board_time import BoardTime
from holdstill.daemon.dependencies import DaemonDependencies
from holdstill.notify.log import LevelLog
from holdstill.notify.notifier import Notifier
from holdstill.notify.recipients import AppriseRecipients
from holdstill.schedule import state_file
from holdstill.schedule.due_nights import DueNights
from holdstill.schedule.zone import LocalZone
from holdstill.system.clocks import SystemClock
from holdstill.system.sd_notify import SdNotify
from holdstill.system.time_limited import BoundedRunner
from holdstill.workflow import board_state
from holdstill.workflow.attempt import AttemptRunner

if TYPE_CHECKING:
    from pathlib import Path

    from holdstill.board.all_day import AllDay
    from holdstill.model.settings import BoardSettings


def daemon_dependencies(
    settings: BoardSettings, settings_path: Path, place: Path, all_day: AllDay
) -> DaemonDependencies:
    """Return everything that the daemon of a board reaches the outside world with.

    Args:
        settings: the board's.
        settings_path: is read again before each run: a changed hook needs no restart.
        place: the directory in memory that shows what the daemon is doing.
        all_day: keeps what is known of large files from one capture to the next.
    """
    clock, runner, supervisor = SystemClock(), BoundedRunner(), SdNotify()
    people = AppriseRecipients(settings.notify.urls_file, runner)
    source = BoardTime(clock, LocalZone())
    lines = LevelLog(sys.stderr)
    nights = DueNights(settings, clock, source)

    return DaemonDependencies(
        clock=clock,
        due_nights=nights,
        attempts=AttemptRunner(
            clock=clock,
            capture=scheduled_capture.from_settings(settings_path, all_day, nights.check_not_over),
            readiness=BoardReadiness(runner),
            supervisor=supervisor,
            is_clock_trusted=source.is_trusted,
            complaint=people.complaint,
            longest=settings.nightly.longest_hours * 3600,
        ),
        notifier=Notifier(settings.board, people),
        state_store=state_file.NightlyStateFile(settings.state),
        live_status=state_file.LiveStatusFile(place),
        service_manager=supervisor,
        event_log=lines,
        last_sealed=lambda: board_state.sealed_at(settings.state),
        all_day_cost=all_day.cost,
        publish=metrics_file.publisher(settings, lines),
    )
