"""What the board daemon reaches the outside world with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager
    from datetime import datetime

    from holdstill.model.nightly_state import AllDayCost, DaemonStatus, NightlyState, RunOutcome
    from holdstill.notify.notifier import Notifier
    from holdstill.schedule.due_nights import DueNights
    from holdstill.system.clocks import Clock
    from holdstill.workflow.ports import Progress


class Attempts(Protocol):
    """Takes captures; `workflow.attempt.AttemptRunner`."""

    def run(self, progress: Progress, *, tries: int) -> RunOutcome:
        """Take a capture; whatever happens becomes an outcome."""

    def failed(self, code: int, what: str, hint: str, *, tries: int) -> RunOutcome:
        """Return the outcome of a run that sealed nothing."""


class StateStore(Protocol):
    """Stores the daemon's state; `schedule.state_file.NightlyStateFile`."""

    def load(self) -> NightlyState:
        """Return the stored state."""

    def save(self, state: NightlyState) -> None:
        """Store the state."""


class LiveStatus(Protocol):
    """The status that `holdstill status` reads; `schedule.state_file.LiveStatusFile`."""

    def read(self) -> DaemonStatus | None:
        """Return the last status of this boot."""

    def show(self, live: DaemonStatus) -> None:
        """Replace the status."""


class ServiceManager(Protocol):
    """The service manager; `system.sd_notify.SdNotify`."""

    patience: float

    def ready(self) -> None:
        """Report READY=1."""

    def status(self, text: str) -> None:
        """Report STATUS=."""

    def alive(self) -> None:
        """Feed the watchdog."""

    def stopping(self) -> None:
        """Report STOPPING=1."""

    def alive_for(self, seconds: float) -> AbstractContextManager[None]:
        """Feed the watchdog from a thread, until the block ends or the time is over."""


class DaemonLog(Protocol):
    """The log; `notify.log.LevelLog`."""

    def info(self, text: str, **fields: str) -> None:
        """Log a message, with structured fields."""

    def warning(self, text: str, **fields: str) -> None:
        """Log a warning."""

    def error(self, text: str, **fields: str) -> None:
        """Log an error."""


@dataclass(frozen=True)
class DaemonDependencies:
    """The outside world, as the daemon reaches it.

    Attributes:
        last_sealed: returns when the board last sealed a capture, by whatever command.
        all_day_cost: returns what following large files between captures costs.
        publish: writes the metrics file.
    """

    clock: Clock
    due_nights: DueNights
    attempts: Attempts
    notifier: Notifier
    state_store: StateStore
    live_status: LiveStatus
    service_manager: ServiceManager
    event_log: DaemonLog
    last_sealed: Callable[[], datetime | None]
    all_day_cost: Callable[[], AllDayCost | None]
    publish: Callable[[NightlyState, datetime | None], None]
