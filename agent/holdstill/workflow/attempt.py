"""One attempt of a night: wait for a good moment, capture, and return how it went."""

from __future__ import annotations

import traceback
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from holdstill.board import readiness as board_readiness
from holdstill.errors import HoldstillError, PreflightError
from holdstill.model.nightly_state import DEGRADED, SEALED, RunOutcome
from holdstill.system import clocks

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    from holdstill.system.clocks import Clock
    from holdstill.workflow.capture_report import CaptureReport
    from holdstill.workflow.ports import Progress

PACKAGES_WAIT, PACKAGES_TICK = 600.0, 30.0
INTERNAL = HoldstillError.exit_code
_WARNINGS_MOST = 20


class Readiness(Protocol):
    """Whether this is a good moment; `board.readiness.BoardReadiness`."""

    def package_manager(self) -> str:
        """Return which package manager is running, "" if none."""

    def power(self) -> int:
        """Return the bits of the board's power supply."""

    def card_errors(self, since: float) -> tuple[str, ...]:
        """Return the kernel's messages about the card since then, on the monotonic clock."""


class Watchdog(Protocol):
    """The service manager's watchdog."""

    def alive(self) -> None:
        """Feed the watchdog."""

    def alive_for(self, seconds: float) -> AbstractContextManager[None]:
        """Feed the watchdog from a thread, until the block ends or the time is over."""


@dataclass
class AttemptRunner:
    """Takes captures, one at a call, and never fails.

    Attributes:
        capture: takes one capture.
        is_clock_trusted: whether the clock can be trusted.
        longest: seconds after which a run hangs.
        complaint: returns what else needs attention, "" for nothing.
    """

    clock: Clock
    capture: Callable[[Progress], CaptureReport]
    readiness: Readiness
    supervisor: Watchdog
    is_clock_trusted: Callable[[], bool]
    complaint: Callable[[], str]
    longest: float
    looked_at_card: float = field(default=0.0, init=False)

    def run(self, progress: Progress, *, tries: int) -> RunOutcome:
        """Take a capture; whatever happens is an outcome."""
        began = self.clock.monotonic()
        try:
            self._check_readiness()
            with self.supervisor.alive_for(self.longest):
                report = self.capture(progress)
        except HoldstillError as error:
            return self.failed(error.exit_code, str(error), error.hint, tries=tries)
        except Exception as error:  # noqa: BLE001  a fault of ours must not end the nights
            progress.warn("".join(traceback.format_exception(error)))
            what = f"a fault of holdstill: {type(error).__name__}: {error}"
            return self.failed(INTERNAL, what, "please report it", tries=tries)
        return self._sealed(report, self.clock.monotonic() - began, tries)

    def _check_readiness(self) -> None:
        """Wait for a package manager to end, and see that there is power.

        Raises:
            PreflightError: this is no moment for a capture.
        """
        deadline = self.clock.monotonic() + PACKAGES_WAIT
        while busy := self.readiness.package_manager():
            if self.clock.monotonic() >= deadline:
                raise PreflightError(busy, hint="a half-configured system makes no good capture")
            self.supervisor.alive()
            self.clock.sleep(PACKAGES_TICK)
        if self.readiness.power() & board_readiness.UNDERVOLTAGE:
            raise PreflightError(
                "the board's supply voltage is too low just now",
                hint="check its power supply and cable; a starved card loses data",
            )

    def _sealed(self, report: CaptureReport, seconds: float, tries: int) -> RunOutcome:
        warnings = (*report.attention, *self._own_warnings())[:_WARNINGS_MOST]
        frozen = f"frozen for {report.frozen_ms:.0f} ms"
        return RunOutcome(
            at=clocks.rfc3339(self.clock.now()),
            code=DEGRADED if warnings else SEALED,
            what=f"sealed {report.board}/{report.name}, {frozen}, {seconds:.0f} s in all",
            capture=report.name,
            seconds=round(seconds, 1),
            frozen_ms=report.frozen_ms,
            new_bytes=report.new_bytes,
            wire_bytes=report.wire_bytes,
            warnings=warnings,
            clock_trusted=self.is_clock_trusted(),
            tries=tries,
        )

    def _own_warnings(self) -> tuple[str, ...]:
        """Return what needs attention beside the capture."""
        errors = self.readiness.card_errors(self.looked_at_card)
        self.looked_at_card = self.clock.monotonic()
        card = tuple(f"the kernel complains about the card: {line}" for line in errors)
        power = board_readiness.power_remarks(self.readiness.power())
        complaint = self.complaint()
        return (*card, *power, *((complaint,) if complaint else ()))

    def failed(self, code: int, what: str, hint: str, *, tries: int) -> RunOutcome:
        """Return the outcome of a run that sealed nothing."""
        return RunOutcome(
            at=clocks.rfc3339(self.clock.now()),
            code=code,
            what=what,
            hint=hint,
            clock_trusted=self.is_clock_trusted(),
            tries=tries,
        )
